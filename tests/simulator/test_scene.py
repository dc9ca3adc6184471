"""Scenes as data: loaded, checked, and told apart by their contents."""

import copy
import pickle
import re
from pathlib import Path

import pytest

from stacktruth.simulator.data import DataFileError, list_data_files
from stacktruth.simulator.loading.scenes import load_scene
from stacktruth.simulator.rig import load_rig
from stacktruth.simulator.scene.scene import Balls, Fibres, Outline, Scene, Sheet
from stacktruth.simulator.shooting.truth import TruthView
from stacktruth.simulator.view.camera import Camera
from stacktruth.simulator.view.parts import parts_of

EXAMPLES = Path(__file__).resolve().parents[2] / "docs" / "examples"
HEAD = "field_mm = [4, 3]\ndepth_mm = [-1, 1]\n"
CARD = '[[surface]]\nname = "card"\ntexture = { kind = "flat", colour = "#808080" }\n'
HAIRS = '[[surface]]\nkind = "fibres"\nname = "hairs"\n'


@pytest.fixture
def load(tmp_path):
    """Load a scene from text."""

    def from_text(text: str) -> Scene:
        path = tmp_path / "made.toml"
        path.write_text(text, encoding="utf-8")
        return load_scene(path)

    return from_text


@pytest.mark.parametrize("name", list_data_files("scene"))
def test_shipped_scenes_are_sound(name):
    """Every shipped scene loads, names a shipped rig, and has a title and parts to draw."""
    scene = load_scene(name)
    assert scene.name == name
    assert scene.title
    assert load_rig(scene.rig).name == scene.rig
    assert len(parts_of(scene)) >= len(scene.surface)


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("*.toml")), ids=lambda path: path.stem)
def test_scenes_of_the_book_hold_what_they_are_shown_for(path):
    """Light comes through one of their surfaces, all of which are at a depth they state."""
    scene = load_scene(path)
    assert scene.title
    rig = load_rig(scene.rig)
    assert any(part.translucent or part.image is not None for part in parts_of(scene))
    camera = Camera(rig, bin=rig.sensor.width_px // 48)
    # What lies nearest is cheap to know; the pictures of a truth are not.
    truth = TruthView(scene=scene, camera=camera, frames={0: camera}, reference=0)
    seen = truth.layer("nearest")
    clear = seen["translucent"] | seen["refracted"]
    assert clear.mean() > 0.02
    near, far = scene.depth_mm
    depth = seen["depth_mm"][clear]
    assert ((depth >= near) & (depth <= far)).mean() > 0.95


@pytest.mark.parametrize("name", list_data_files("scene"))
def test_scenes_are_values(name):
    """A scene equals its copy, hashes alike, and survives pickling: workers need that."""
    scene = load_scene(name)
    for twin in (load_scene(name), copy.deepcopy(scene), pickle.loads(pickle.dumps(scene))):
        assert twin == scene
        assert hash(twin) == hash(scene)
        assert parts_of(twin) is parts_of(scene)
    with pytest.raises(AttributeError):
        scene.seed = 3


def test_a_surface_is_a_sheet_unless_told(load):
    """A table without a kind is a sheet; other kinds are what they say."""
    scene = load(
        HEAD
        + CARD
        + HAIRS
        + '[[surface]]\nkind = "balls"\nname = "b"\nat_mm = [[0, 0, 0]]\nradius_mm = [1]\n'
    )
    assert [type(surface) for surface in scene.surface] == [Sheet, Fibres, Balls]


def test_the_file_s_name_is_the_scene_s(load):
    """A scene is named after its file unless it names itself."""
    assert load(HEAD + CARD).name == "made"
    assert load('name = "other"\n' + HEAD + CARD).name == "other"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (HEAD + CARD + CARD, "surface names: got twice card"),
        (
            HEAD + CARD + HAIRS + 'on = "twig"\n',
            r"fibres 'hairs': got on = 'twig', allowed sheets \['card'\]",
        ),
        (HEAD.replace("-1, 1", "1, -1") + CARD, r"depth_mm: got \[1.*allowed \[nearest"),
        (HEAD, "key 'surface' is missing"),
        (HEAD + "surface = []\n", "key 'surface': .*1 or more of them"),
        (HEAD + "surface = [3]\n", "surface: got 3, allowed a table"),
        (HEAD + CARD + "sheen = 1\n", r"key 'surface.0.sheet.sheen' is not known here"),
        (HEAD + CARD.replace("flat", "velvet"), "key 'surface.0.sheet.texture': .*velvet"),
        (
            HEAD + CARD + 'outline = { kind = "rectangle" }\n',
            r"size_mm: got none, allowed .*: a rectangle",
        ),
        (
            HEAD + CARD + 'outline = { kind = "spiral" }\n',
            "radius_mm: got none, allowed a length: a spiral",
        ),
        (HEAD + CARD + 'outline = { kind = "polygon" }\n', "points_mm: got 0, allowed 3 or more"),
        (HEAD + CARD + "centre_mm = [0, 0]\n", r"key 'surface.0.sheet.centre_mm.2' is missing"),
        (HEAD + CARD + "centre_mm = [0, 0, nan]\n", r"key 'surface.0.sheet.centre_mm.2': got nan"),
        (HEAD + HAIRS + "count = 0\n", r"key 'surface.0.fibres.count': got 0, allowed 1 or more"),
    ],
)
def test_what_is_wrong_in_a_scene_is_told(load, text, message):
    """An error names the file, and what was got or is allowed."""
    with pytest.raises(DataFileError, match=rf"made\.toml: .*{message}"):
        load(text)


def test_balls_have_one_radius_or_one_each():
    """Two radii for three balls are an error that says how many are allowed."""
    centres = ((0, 0, 0), (1, 0, 0), (2, 0, 0))
    for radii in ((0.1,), (0.1, 0.2, 0.3)):
        assert Balls(kind="balls", name="b", at_mm=centres, radius_mm=radii).radius_mm == radii
    with pytest.raises(ValueError, match=re.escape("got 2 values, allowed 1 or 3")):
        Balls(kind="balls", name="b", at_mm=centres, radius_mm=(0.1, 0.2))


def test_drawing_order_is_the_file_s_and_within_a_bundle_far_to_near(scene, sheet):
    """Surfaces keep their order, whatever their z; the balls of one surface are sorted by z."""
    beads = Balls(
        kind="balls", name="beads", at_mm=((0, 0, -1), (0, 0, 2), (0, 0, 0)), radius_mm=(0.1,)
    )
    near = sheet("near", centre_mm=(0, 0, -3), outline=Outline(kind="ellipse", size_mm=(1, 1)))
    parts = parts_of(scene(near, beads, sheet("far", centre_mm=(0, 0, 5))))
    assert [part.name for part in parts] == ["near", "beads", "beads", "beads", "far"]
    assert [part.centre_mm[2] for part in parts[1:4]] == [2, 0, -1]


def test_bundles_are_the_same_for_a_seed_and_differ_for_another(scene, sheet):
    """Fibres are drawn from the scene's and the bundle's own seed alone."""

    def roots(seed, own):
        hairs = Fibres(kind="fibres", name="hairs", on="card", count=5, seed=own)
        parts = parts_of(scene(sheet(), hairs, seed=seed))
        return [tuple(part.points_mm[0]) for part in parts if part.region == "fibres"]

    assert roots(1, 0) == roots(1, 0)
    assert roots(1, 0) != roots(2, 0)
    assert roots(1, 0) != roots(1, 5)


def test_fibres_are_rooted_on_their_sheet(scene, sheet):
    """On a sheet, a fibre's root has the sheet's z, and its tip is nearer to the camera."""
    hairs = Fibres(kind="fibres", name="hairs", on="card", count=20, spread_mm=(3, 2), curl=0)
    card = sheet(centre_mm=(0, 0, 0.7), relief={"kind": "slope", "slope_x": 0.3})
    for part in parts_of(scene(card, hairs))[1:]:
        x, _, z = part.points_mm[0]
        assert z == pytest.approx(0.7 - 0.3 * x, abs=1e-5)
        assert part.points_mm[-1, 2] < z
