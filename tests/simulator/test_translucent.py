"""Sheets that light comes through: what a pixel holds of both, and what the truth tells of it."""

import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from stacktruth import load_scene, read_stack, shoot, write_stack
from stacktruth.runners.dataset.packed import PackedStack, pack_stack
from stacktruth.runners.judge.judged_view import JudgedView
from stacktruth.simulator import render_view
from stacktruth.simulator.data import DataFileError
from stacktruth.simulator.export.export import export_scene
from stacktruth.simulator.scene.scene import Outline
from stacktruth.simulator.scene.texture.plain import Flat, Octaves
from stacktruth.simulator.shooting.truth import REGIONS, truth_of
from stacktruth.simulator.stack.stackio import check_stack
from stacktruth.simulator.view.camera import Camera

REFERENCES = Path(__file__).resolve().parents[1] / "references"
sys.path.insert(0, str(REFERENCES))

from scoring import scored  # noqa: E402

NOISE = Octaves(palette=("#102030", "#c0b090"), cell_mm=0.4)
WIDE = Outline(kind="rectangle", size_mm=(2.0, 1.2))


def clear(share):
    """Return a transmittance of one share."""
    return Flat(colour=(share,) * 3)


@pytest.mark.parametrize(
    ("name", "level", "overall_db", "worst_db"),
    [
        ("wing-in-focus", "fast", 52, 44),
        ("wing-before-focus", "fast", 52, 44),
        ("petals", "fast", 52, 44),
        pytest.param("wing-in-focus", "exact", 59, 53, marks=pytest.mark.slow),
        pytest.param("wing-before-focus", "exact", 59, 53, marks=pytest.mark.slow),
        pytest.param("petals", "exact", 59, 53, marks=pytest.mark.slow),
    ],
)
def test_pictures_are_the_outside_renderer_s(name, level, overall_db, worst_db):
    """Mitsuba's masks of the exported opacity, over the exported colours, through its thin lens."""
    one = scored(name, [level])[level]
    assert one.overall_db >= min(overall_db, one.floor_db)
    assert one.worst_db >= min(worst_db, one.worst_floor_db)


def test_light_behind_is_multiplied_and_its_own_added(rig, scene, sheet):
    """In the middle of even sheets, at any focus: own + T1 (own + T2 behind), by channel."""
    near = sheet(
        name="near", centre_mm=(0, 0, -1), outline=WIDE, texture=Flat(colour=(0.1, 0, 0.2))
    )
    near = replace(near, transmittance=Flat(colour=(0.5, 0.25, 0.75)))
    middle = replace(near, name="middle", centre_mm=(0, 0, 1), transmittance=clear(0.5))
    wall = sheet(name="wall", centre_mm=(0, 0, 2), texture=Flat(colour=(0.8, 0.4, 0.6)))
    seen = render_view(scene(wall, middle, near), rig)[64, 96]
    # By hand: 0.1 + 0.5 (0.1 + 0.5 x 0.8), 0 + 0.25 (0 + 0.5 x 0.4), 0.2 + 0.75 (0.2 + 0.5 x 0.6).
    assert seen == pytest.approx([0.35, 0.05, 0.575], abs=1e-4)


@pytest.mark.parametrize("quality", ["fast", "exact"])
def test_what_lets_nothing_through_is_opaque(rig, scene, sheet, quality):
    """A transmittance of 0 is the same picture as none; of 1, without a colour, as no sheet."""
    wall = sheet(name="wall", centre_mm=(0, 0, 1.5), texture=NOISE)
    card = sheet(name="card", centre_mm=(0.2, 0, -1), outline=WIDE, texture=NOISE)
    none = replace(card, texture=clear(0), transmittance=clear(1))
    shut = replace(card, transmittance=clear(0))

    def picture(*surfaces):
        return render_view(scene(wall, *surfaces), rig, quality=quality)

    assert picture(shut) == pytest.approx(picture(card), abs=2e-5)
    assert picture(none) == pytest.approx(picture(), abs=2e-5)
    assert np.abs(picture(card) - picture()).max() > 0.1


@pytest.mark.parametrize("focus_mm", [1.5, 0.2, -1.0])
def test_what_is_behind_is_as_sharp_as_without_the_sheet(rig, scene, sheet, focus_mm):
    """A grey pane that lets half through, wherever the focus: half of each pixel's light."""
    wall = sheet(name="wall", centre_mm=(0, 0, 1.5), texture=NOISE)
    whole = Outline(kind="rectangle", size_mm=(9, 9))
    pane = sheet(centre_mm=(0, 0, -1), outline=whole, texture=clear(0), transmittance=clear(0.5))
    bare, seen = (
        render_view(scene(*surfaces), rig, focus_mm=focus_mm) for surfaces in ([wall], [wall, pane])
    )
    assert seen == pytest.approx(bare / 2, abs=1e-5)


# ---- truth ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def layered(scene, sheet):
    """Make a wall, a clear card before it, a clear one before both, and an opaque bar."""
    card = sheet(name="card", centre_mm=(0, 0, 1), outline=WIDE, transmittance=clear(0.6))
    return scene(
        sheet(name="wall", centre_mm=(0, 0, 2), texture=NOISE),
        card,
        replace(card, name="pane", centre_mm=(0.8, 0, 0.5)),
        replace(card, name="veil", centre_mm=(0, -0.9, 0.2), transmittance=clear(0.05)),
        sheet(name="bar", outline=Outline(kind="rectangle", size_mm=(0.3, 9))),
    )


def test_the_truth_has_the_nearest_depth_and_the_opaque_one_behind(rig, layered):
    """However many clear ones a ray passes; none behind what is opaque, or as good as opaque."""
    camera = Camera(rig)
    truth = truth_of(layered, camera, {0: camera}, reference=0)
    # Rows and columns by hand: 5 px for 0.1 mm about (64, 96).
    places = {
        (64, 20): (2.0, None),  # wall alone
        (64, 60): (1.0, 2.0),  # card before it
        (64, 125): (0.5, 2.0),  # pane before both
        (64, 96): (0.0, None),  # bar before all
        (20, 60): (0.2, None),  # a veil that lets a twentieth through
    }
    for place, (depth, behind) in places.items():
        assert truth.depth_mm[place] == pytest.approx(depth, abs=1e-4)
        assert truth.mask("translucent")[place] == (behind is not None)
        if behind is None:
            assert np.isnan(truth.depth_behind_mm[place])
        else:
            assert truth.depth_behind_mm[place] == pytest.approx(behind, abs=1e-4)


def test_opaque_scenes_have_neither_file_nor_region(rig, scene, sheet):
    """Their truth is as it was, to the type of the regions' image."""
    camera = Camera(rig)
    truth = truth_of(scene(sheet()), camera, {0: camera}, reference=0)
    assert truth.depth_behind_mm is None
    assert truth.regions.dtype == np.uint8
    assert truth.region_bits == REGIONS
    assert not truth.mask("translucent").any()


def test_a_stack_holds_both_depths_and_is_read_back(rig, layered, tmp_path):
    """In a folder and in one file; the folder keeps to its page, and the region is scored."""
    plan = shoot(layered, rig, frames=2, crop=(64, 40), seed=1)
    folder = write_stack(plan, tmp_path / "stack", progress=False)
    stack = read_stack(folder)
    assert check_stack(folder) == []
    assert stack.truth_facts["regions"]["translucent"] == 512
    assert stack.truth_facts["images"]["depth_behind_mm"]["unit"] == "mm"
    made = plan.truth()
    assert np.array_equal(stack.truth.depth_behind_mm, made.depth_behind_mm, equal_nan=True)
    assert np.isfinite(made.depth_behind_mm).sum() == made.mask("translucent").sum() > 500
    pack_stack(stack, tmp_path / "one.npz")
    packed = PackedStack(tmp_path / "one.npz")
    packed.check()
    held = packed.truth.depth_behind_mm
    assert np.array_equal(held, made.depth_behind_mm, equal_nan=True)
    assert "translucent" in JudgedView(stack, stack.truth).masks


# ---- keys and export --------------------------------------------------------------------------

HEAD = 'field_mm = [4, 3]\ndepth_mm = [-1, 1]\n[[surface]]\nname = "wing"\n'
TEXTURE = 'texture = { kind = "flat", colour = "#808080" }\n'


def load(tmp_path, text):
    """Load a scene of one sheet, with these lines more."""
    path = tmp_path / "made.toml"
    path.write_text(HEAD + TEXTURE + text, encoding="utf-8")
    return load_scene(path)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("transmittance = 0.8", (0.8, 0.8, 0.8)),
        ("transmittance = 1", (1, 1, 1)),
        ("transmittance = [0.5, 0.2, 0.9]", (0.5, 0.2, 0.9)),
        ('transmittance = "#ffffff"', (1, 1, 1)),
        ('transmittance = { kind = "flat", colour = [0.1, 0.2, 0.3] }', (0.1, 0.2, 0.3)),
    ],
)
def test_one_share_or_a_colour_is_a_flat_texture(tmp_path, text, wanted):
    """As the scene language says."""
    assert load(tmp_path, text).surface[0].transmittance == Flat(colour=wanted)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("transmittance = 1.2", "transmittance.*got 1.2, allowed 0 to 1"),
        ("transmittance = -0.1", "transmittance.*-0.1.*allowed.*0"),
        ("transmittance = [0.5, 0.2, 3]", "transmittance.*got 3, allowed 0 to 1"),
        ("transmittance = true", "transmittance"),
        ('transmittance = "clear"', "transmittance.*#rrggbb"),
        (
            'transmittance = { kind = "octaves", palette = [[0, 0, 0], [1, 1, 1.5]], cell_mm = 1 }',
            "transmittance.*got 1.5, allowed 0 to 1",
        ),
        (
            'transmittance = { kind = "layered", under = { kind = "flat", colour = [2, 0, 0] }, '
            'over = { kind = "flat", colour = [0, 0, 0] }, mask = { kind = "rings", '
            "pitch_mm = 1, width_mm = 0.2 } }",
            "transmittance.*got 2, allowed 0 to 1",
        ),
    ],
)
def test_what_is_no_share_of_light_is_refused(tmp_path, text, message):
    """With the key, what was got and what is allowed."""
    with pytest.raises(DataFileError, match=message):
        load(tmp_path, text)


def test_an_export_carries_what_comes_through(rig, layered, tmp_path):
    """As more properties of each corner in .ply; .obj has no place for it and says so."""
    mesh = export_scene(layered, tmp_path / "one.ply", rig=rig, pitch_mm=0.2)
    found = np.unique(mesh.transmittance)
    assert found == pytest.approx([0, 0.05, 0.6], abs=1e-6)
    head, _, body = (tmp_path / "one.ply").read_bytes().partition(b"end_header\n")
    names = re.findall(r"property float (\w+)", head.decode())
    assert names[6:] == ["transmit_r", "transmit_g", "transmit_b", "refraction"]
    corners = np.frombuffer(body, "<f4", len(mesh.points_mm) * 10).reshape(-1, 10)
    assert np.array_equal(corners[:, 6:9], mesh.transmittance)
    with pytest.raises(ValueError, match=r"light comes through, allowed opaque ones in \.obj"):
        export_scene(layered, tmp_path / "one.obj", rig=rig, pitch_mm=0.2)
