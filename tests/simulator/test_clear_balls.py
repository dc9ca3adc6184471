"""Balls that bend light: Snell, Fresnel, the ball lens, and another renderer's pictures."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import laplace

from stacktruth import load_scene
from stacktruth.simulator import Pose, render_view
from stacktruth.simulator.data import DataFileError
from stacktruth.simulator.export.export import export_scene, scene_meshes
from stacktruth.simulator.scene.scene import Balls, Outline
from stacktruth.simulator.scene.texture.plain import Flat, Octaves
from stacktruth.simulator.shooting.truth import truth_of
from stacktruth.simulator.view import ball_lens
from stacktruth.simulator.view.camera import Camera
from stacktruth.simulator.view.parts import parts_of

REFERENCES = Path(__file__).resolve().parents[1] / "references"
sys.path.insert(0, str(REFERENCES))

from outside_cases import FOLDER, clear_cases, our_picture  # noqa: E402
from scoring import scored  # noqa: E402
from stored import load  # noqa: E402

NOISE = Octaves(palette=("#000000", "#ffffff"), cell_mm=0.6, contrast=1.5, falloff=0.8)
CASES = clear_cases()
SERIES = [name for name in CASES if name.startswith("drop-series")]


def drop(radius_mm=0.8, at_mm=(0.0, 0.0, 0.0), **more):
    """Return a drop of water without a highlight."""
    asked = {"refractive_index": 1.33, "highlight": 0.0} | more
    return Balls(kind="balls", name="drop", at_mm=(at_mm,), radius_mm=(radius_mm,), **asked)


# ---- optics -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("index", "focal"), [(1.5, 1.5), (2.0, 1.0), (4 / 3, 2.0)])
def test_a_ball_s_focal_length_is_the_textbook_s(index, focal):
    """Glass of 1.5: 3/2 R; of 2: its own far face (a cat's eye); water of 4/3: 2 R."""
    assert ball_lens.focal_length_mm(1.0, index) == pytest.approx(focal)


def test_an_image_is_where_the_thin_lens_has_it():
    """At twice the focal length as far before the ball; within the focal length behind it."""
    assert ball_lens.image_mm(4.0, 1.0, 4 / 3) == pytest.approx(4.0)
    assert ball_lens.image_mm(1.0, 1.0, 4 / 3) == pytest.approx(-2.0)


def test_water_mirrors_as_fresnel_says():
    """((n - 1) / (n + 1))^2 straight on; at Brewster's angle one half of what is polarised across.

    There the refracted ray is at right angles to the mirrored one, and sin^2(i - r) is left.
    """
    straight = ball_lens.reflectance(*ball_lens.angles(np.array(1e-3), 1.33))
    assert straight == pytest.approx((0.33 / 2.33) ** 2, rel=1e-3)
    brewster = np.arctan(1.5)
    i, r = ball_lens.angles(np.sin(brewster), 1.5)
    assert ball_lens.reflectance(i, r) == pytest.approx(np.cos(2 * brewster) ** 2 / 2, rel=1e-5)


def through_sphere(start, way, radius, index):
    """Trace a ray through a ball about the origin by Snell's law in vectors (Glassner 1989)."""

    def bent(way, normal, ratio):
        cos = -normal @ way
        return ratio * way + (ratio * cos - np.sqrt(1 - ratio**2 * (1 - cos**2))) * normal

    along = -start @ way
    first = start + (along - np.sqrt(along**2 - start @ start + radius**2)) * way
    within = bent(way, first / radius, 1 / index)
    last = first - 2 * (first @ within) * within
    return last, bent(within, -last / radius, index)


@pytest.mark.parametrize("impact", [0.05, 0.4, 0.8])
@pytest.mark.parametrize("index", [1.33, 1.5])
def test_rays_close_to_a_ray_come_together_where_it_is_said(impact, index):
    """Rays back from a point behind a ball, traced with Snell's law, in the plane and across."""
    radius, distance = 0.7, 3.0
    i, r = ball_lens.angles(impact, index)
    turn = 2 * (i - r)
    # The ray comes along z at x = h; its foot behind the ball is turned with it.
    way = np.array([-np.sin(turn), 0, np.cos(turn)])
    foot = impact * radius * np.array([np.cos(turn), 0, np.sin(turn)])
    point = foot + distance * way
    wanted = ball_lens.image_curvatures(distance, impact * radius, radius, index)
    aside = np.array([np.cos(turn), 0, np.sin(turn)])
    for other, axis, curvature in zip((aside, np.array([0, 1, 0])), (0, 1), wanted, strict=True):
        step = 1e-4
        back = -way + step * other
        at, out = through_sphere(point, back / np.linalg.norm(back), radius, index)
        # Where it crosses the ray itself, at x = h or y = 0, counted toward the viewer.
        away = (impact * radius, 0.0)[axis] - at[axis]
        cross = at[2] + away / out[axis] * out[2]
        assert -1 / cross == pytest.approx(curvature, rel=2e-3)


def test_a_picture_s_rays_land_where_snell_s_law_takes_them(rig, scene, sheet):
    """The colour seen in a drop is that of the wall where the traced ray meets it."""
    ramp = Octaves(palette=("#000000", "#ffffff"), cell_mm=3.0, contrast=1.0, falloff=3)
    wall = sheet(name="wall", centre_mm=(0, 0, 4), texture=ramp)
    made = scene(wall, drop(at_mm=(0.2, -0.1, 1.0)))
    ball = parts_of(made)[1]
    camera = Camera(rig)
    view = ball.image.view(camera, camera.frame)
    for row, col in ((60, 100), (40, 110), (75, 85), (84, 106)):
        way = np.array([(col + 0.5 - 96) / 5000, (row + 0.5 - 64) / 5000, 1.0])
        way /= np.linalg.norm(way)
        centre = np.array([0.2, -0.1, 1.0])
        at, out = through_sphere(camera.pupil_mm - centre, way, 0.8, 1.33)
        met = centre + at + (4 - centre[2] - at[2]) / out[2] * out
        wall_part = parts_of(made)[0]
        colour = wall_part.painted(np.array([met[0]]), np.array([met[1]]), 0.03)[0]
        assert view.colour[row, col] == pytest.approx(colour, abs=0.01)


# ---- pictures ---------------------------------------------------------------------------------


def test_a_drop_in_even_light_cannot_be_seen(rig, scene, sheet):
    """What is mirrored, what comes through and what goes to and fro add up to all light."""
    wall = sheet(name="wall", centre_mm=(0, 0, 3), texture=Flat(colour=(0.4, 0.2, 0.6)))
    made = scene(wall, drop(), backdrop=(0.4, 0.2, 0.6))
    for focus in (0.0, -2.0):
        seen = render_view(made, rig, focus_mm=focus)
        assert np.abs(seen - [0.4, 0.2, 0.6]).max() < 0.004


def test_a_tint_is_that_of_the_middle(rig, scene, sheet):
    """Straight through the middle comes the tint, less 2 % at each of two faces."""
    wall = sheet(name="wall", centre_mm=(0, 0, 3), texture=Flat(colour=(1, 1, 1)))
    seen = render_view(scene(wall, drop(tint=(0.8, 0.5, 0.2))), rig, crop=(8, 8))[4, 4]
    # A wide pupil sees some of it by shorter ways.
    assert seen == pytest.approx(np.array([0.8, 0.5, 0.2]) * (1 - 0.02006) ** 2, abs=4e-3)


def test_what_is_behind_is_upside_down(rig, scene, sheet):
    """A bright card to the upper left behind a drop is seen to its lower right."""
    far = Outline(kind="rectangle", size_mm=(3, 3))
    wall = sheet(name="wall", centre_mm=(0, 0, 5), colour=(0.1, 0.1, 0.1))
    card = replace(
        wall, name="card", centre_mm=(-2, -2, 5), outline=far, texture=Flat(colour=(1,) * 3)
    )
    seen = render_view(scene(wall, card, drop()), rig, focus_mm=-2.4, quality="fast").mean(axis=-1)
    quarters = {(y, x): seen[64 + 12 * y, 96 + 12 * x] for y in (-1, 1) for x in (-1, 1)}
    assert quarters[1, 1] > 0.8
    assert all(light < 0.2 for where, light in quarters.items() if where != (1, 1))


@pytest.mark.parametrize("made_of", [(1.33, 0.8, 5.0), (1.5, 0.6, 2.5), (1.33, 0.5, 0.6)])
def test_the_sharpest_frame_of_a_series_is_the_ball_lens_s(rig, scene, sheet, made_of):
    """Within 5 % of the image's distance from the centre, before the ball or behind it."""
    index, radius, behind = made_of
    image = ball_lens.image_mm(behind, radius, index)
    wall = sheet(name="wall", centre_mm=(0, 0, behind - 1), texture=NOISE)
    made = scene(wall, drop(radius, (0, 0, -1.0), refractive_index=index))
    stops = np.arange(-3, 4) * 0.05 * abs(image)
    stopped = replace(rig, lens=replace(rig.lens, f_number=5.6))
    contrast = []
    for stop in stops:
        pose = Pose(z_mm=-1.0 - image + stop)
        seen = render_view(made, stopped, pose=pose, crop=(24, 24), quality="fast")
        contrast.append(laplace(seen.mean(axis=-1))[5:-5, 5:-5].std())
    best = int(np.argmax(contrast))
    assert abs(stops[best]) <= 0.0501 * abs(image)
    assert contrast[best] > 1.05 * max(contrast[0], contrast[-1])


def test_the_outside_renderer_s_series_is_sharpest_there_too():
    """Mitsuba's drop is sharpest in the same frame as ours, within 5 % of the formula's depth."""
    ours, theirs = [], []
    for name in SERIES:
        picture = our_picture(CASES[name], quality="fast").mean(axis=-1)
        ours.append(laplace(picture)[2:-2, 2:-2].std())
        first, second = (laplace(one.mean(axis=-1)) for one in load(FOLDER / f"{name}.npz").pair)
        theirs.append(np.sqrt((first * second)[2:-2, 2:-2].mean()))
    # The scene has the ball's centre where the formula's image is in focus at z = 0.
    image = ball_lens.image_mm(5.0, 0.8, 1.33)
    assert image == pytest.approx(2.38, abs=1e-3)
    best = int(np.argmax(theirs))
    assert best == int(np.argmax(ours))
    assert abs(CASES[SERIES[best]].camera.focus_mm) < 0.05 * image


@pytest.mark.parametrize(
    ("name", "level", "overall_db", "worst_db"),
    [
        ("drop-image-in-focus", "fast", 37.5, 31),
        ("drop-in-focus", "fast", 36, 29),
        ("glass-ball", "fast", 36.5, 30),
        pytest.param("drop-image-in-focus", "true", 46, 40, marks=pytest.mark.slow),
        pytest.param("drop-in-focus", "true", 44, 37, marks=pytest.mark.slow),
        pytest.param("glass-ball", "true", 50, 42, marks=pytest.mark.slow),
        pytest.param("drop-image-in-focus", "exact", 54, 46, marks=pytest.mark.long),
        pytest.param("drop-in-focus", "exact", 48, 39, marks=pytest.mark.long),
        pytest.param("glass-ball", "exact", 58, 51, marks=pytest.mark.long),
    ],
)
def test_pictures_are_the_outside_renderer_s(name, level, overall_db, worst_db):
    """Mitsuba's dielectric sphere of the exported index, before the exported wall."""
    one = scored(name, [level])[level]
    assert one.overall_db >= overall_db
    assert one.worst_db >= worst_db


# ---- truth, keys, export ----------------------------------------------------------------------


def test_the_truth_in_a_drop_is_that_of_its_image(rig, scene, sheet):
    """Depth and best frame are the image's; its region is told; edges are those of the drop."""
    wall = sheet(name="wall", centre_mm=(0, 0, 5), texture=NOISE)
    frames = {number: Camera(rig, Pose(z_mm=z)) for number, z in enumerate((0.0, -2.4, 5.0))}
    truth = truth_of(scene(wall, drop()), frames[0], frames, reference=0)
    assert truth.depth_mm[64, 96] == pytest.approx(-ball_lens.image_mm(5, 0.8, 1.33), abs=0.01)
    assert truth.best_frame[64, 96] == 1
    assert truth.depth_mm[64, 10] == pytest.approx(5)
    refracted = truth.mask("refracted")
    assert refracted.sum() == pytest.approx(np.pi * 40**2, rel=0.02)
    assert not truth.mask("translucent").any()
    assert np.isnan(truth.depth_behind_mm).all()
    assert truth.mask("occlusion-band")[64, 96 + 40]


def test_a_painted_ball_is_none(rig, scene, sheet):
    """Without an index there is no image, no region, and the type of the regions stays."""
    made = scene(sheet(centre_mm=(0, 0, 3)), drop(refractive_index=None))
    camera = Camera(rig)
    assert parts_of(made)[1].image is None
    assert truth_of(made, camera, {0: camera}, reference=0).regions.dtype == np.uint8


HEAD = 'field_mm = [4, 3]\ndepth_mm = [-1, 1]\n[[surface]]\nkind = "balls"\nname = "drop"\n'
BALL = "at_mm = [[0, 0, 0]]\nradius_mm = [0.5]\n"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("refractive_index = 1.0", "refractive_index.*got 1.0, allowed.*1.05"),
        ("refractive_index = 5", "refractive_index.*got 5.*4"),
        ("refractive_index = -1.33", "refractive_index.*-1.33.*1.05"),
        ('refractive_index = "water"', "refractive_index.*water"),
        ("refractive_index = 1.33\ntint = [0.5, 1.2, 0.1]", "tint: got 1.2, allowed 0 to 1"),
        ("refractive_index = 1.33\ntint = [-0.5, 0.2, 0.1]", "tint.*-0.5"),
    ],
)
def test_what_bends_no_light_is_refused(tmp_path, text, message):
    """With the key, what was got and what is allowed."""
    path = tmp_path / "made.toml"
    path.write_text(HEAD + BALL + text + "\n", encoding="utf-8")
    with pytest.raises(DataFileError, match=message):
        load_scene(path)


def test_an_export_carries_the_index_and_what_is_seen_in_the_ball(rig, scene, sheet, tmp_path):
    """The ball's corners have its index; the wall goes on beside the picture: the ball sees it."""
    wall = sheet(
        name="wall", centre_mm=(0, 0, 5), outline=Outline(kind="rectangle", size_mm=(30, 30))
    )
    plain, ball = scene_meshes(scene(wall, drop()), Camera(rig), pitch_mm=0.2)
    assert plain.refraction is None
    assert np.all(ball.refraction == np.float32(1.33))
    assert np.ptp(plain.points_mm[:, 0]) == pytest.approx(20, abs=0.5)
    bare = scene_meshes(scene(wall), Camera(rig), pitch_mm=0.2)[0]
    assert np.ptp(bare.points_mm[:, 0]) < 7
    mesh = export_scene(scene(wall, drop()), tmp_path / "one.ply", rig=rig, pitch_mm=0.2)
    assert set(np.unique(mesh.refraction)) == {0, np.float32(1.33)}
