"""Rendered pictures against closed forms: brightness, energy, place, size and blur."""

import importlib
from dataclasses import replace

import numpy as np
import pytest

from stacktruth.simulator import Pose, load_rig, load_scene, optics, render_view, view_depth
from stacktruth.simulator.blur.smear import Path
from stacktruth.simulator.compositing.render import render, tiles_of
from stacktruth.simulator.handling.sway import SubjectPose
from stacktruth.simulator.pose import NOMINAL
from stacktruth.simulator.rig import stopped_to
from stacktruth.simulator.scene.relief.plain import Rough, Slope
from stacktruth.simulator.scene.scene import Balls, Fibres, Lighting, Outline
from stacktruth.simulator.scene.texture.plain import Flat
from stacktruth.simulator.scene.texture.target import Bars
from stacktruth.simulator.view.camera import Camera, Window
from stacktruth.simulator.view.parts import parts_of
from stacktruth.simulator.view.sheet_view import SheetPart
from stacktruth.simulator.view.view import Sampling

renderer = importlib.import_module("stacktruth.simulator.compositing.render")

COLOUR = (0.3, 0.5, 0.7)
#: The scene whose hairs take longest.
SLOW_LEAF = pytest.param("sticky-leaf", marks=pytest.mark.slow)
TILTED = Pose(z_mm=-1.3, x_mm=0.2, pitch_mrad=40, yaw_mrad=-60, roll_mrad=100)
HELD = Pose(z_mm=0.4, x_mm=-0.1, y_mm=0.05, pitch_mrad=1.0, yaw_mrad=-2.0, roll_mrad=3.0)


def rectangle(width, height):
    """Return an outline."""
    return Outline(kind="rectangle", size_mm=(width, height))


def psnr_db(got, wanted):
    """Return the peak signal-to-noise ratio, peak 1."""
    return -10 * np.log10(np.mean(np.square(got - wanted)))


def centroid(picture):
    """Return row and column of the middle of a picture's light, in pixel coordinates."""
    light = picture.sum(axis=2).astype(float)
    rows, cols = np.indices(light.shape) + 0.5
    return (light * rows).sum() / light.sum(), (light * cols).sum() / light.sum()


# ---- brightness -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def one_colour(scene, sheet):
    """Make a scene whose sheets, at many depths and slopes, all have one colour."""
    texture = Flat(colour=COLOUR)
    return scene(
        sheet("far", texture=texture, centre_mm=(0, 0, 6)),
        sheet(
            "disc",
            texture=texture,
            centre_mm=(0.3, 0.2, 2),
            outline=Outline(kind="ellipse", size_mm=(2, 1.5)),
        ),
        sheet(
            "slope",
            texture=texture,
            centre_mm=(-0.5, 0.2, 0),
            rotate_deg=-10,
            relief=Slope(slope_x=0.5, slope_y=-0.3, reach_mm=20),
            outline=rectangle(1.2, 1),
        ),
        sheet(
            "rough",
            texture=texture,
            centre_mm=(0.5, -0.2, -1),
            rotate_deg=30,
            relief=Rough(amplitude_mm=0.1, cell_mm=0.8),
            outline=Outline(kind="blade", size_mm=(2, 1)),
        ),
        sheet("bar", texture=texture, centre_mm=(1, 0.2, -3), outline=rectangle(0.3, 5)),
        backdrop=COLOUR,
    )


@pytest.mark.parametrize("diffraction", [True, False])
@pytest.mark.parametrize(
    "pose", [NOMINAL, Pose(z_mm=4.0), TILTED], ids=["nominal", "near", "tilted"]
)
@pytest.mark.parametrize("name", ["rig", "field_rig"])
def test_a_uniform_scene_stays_uniform(one_colour, name, pose, diffraction, request):
    """Several sheets of one colour, however blurred, make a picture of that colour."""
    crop = None if name == "rig" else (192, 128)
    picture = render_view(
        one_colour, request.getfixturevalue(name), pose=pose, crop=crop, diffraction=diffraction
    )
    assert picture == pytest.approx(np.broadcast_to(np.float32(COLOUR), picture.shape), abs=1e-4)


@pytest.mark.parametrize("diffraction", [True, False])
@pytest.mark.parametrize(
    "relief",
    [Slope(), Slope(slope_x=0.8, slope_y=-1.3), Rough(amplitude_mm=0.1, cell_mm=0.8)],
    ids=["flat", "slope", "rough"],
)
def test_a_white_sheet_before_black_stays_white(rig, scene, sheet, relief, diffraction):
    """A sheet that fills the picture has its own brightness everywhere, up to the edges."""
    card = scene(sheet(colour=(1.0, 0.8, 0.6), relief=relief))
    white = np.broadcast_to(np.float32([1.0, 0.8, 0.6]), (128, 192, 3))
    for pose in (NOMINAL, Pose(z_mm=-2.0), TILTED):
        picture = render_view(card, rig, pose=pose, diffraction=diffraction)
        assert picture == pytest.approx(white, abs=1e-4)


def test_the_inside_of_a_bounded_sheet_stays_white(rig, scene, sheet):
    """Away from its edge by more than the blur, a bounded sheet hides the black behind it."""
    card = sheet(colour=(1, 1, 1), outline=rectangle(3, 2))
    for z_mm in (-2.0, 0.0, 1.5):
        pose = Pose(z_mm=z_mm, yaw_mrad=30, x_mm=-3.0)
        picture = render_view(scene(card), rig, pose=pose, diffraction=False)
        assert picture[48:80, 70:120] == pytest.approx(1.0, abs=1e-3)


def test_nothing_before_the_backdrop_is_the_backdrop(rig, scene, sheet):
    """Where no surface is hit, the picture has the backdrop's colour and no depth."""
    aside = sheet(centre_mm=(50, 0, 0), outline=rectangle(1, 1))
    empty = scene(aside, backdrop=COLOUR)
    assert render_view(empty, rig) == pytest.approx(
        np.broadcast_to(np.float32(COLOUR), (128, 192, 3))
    )
    assert np.isnan(view_depth(empty, rig)).all()


# ---- energy -----------------------------------------------------------------------------------


@pytest.mark.parametrize("diffraction", [True, False])
@pytest.mark.parametrize("z_mm", [0.0, 0.2, 1.0, 2.0, 4.0, 7.0, -3.0])
def test_energy_of_a_small_bright_spot_is_kept(rig, scene, sheet, z_mm, diffraction):
    """The light of a spot is its radiance times its area in pixels, whatever its blur: to 0.1 %.

    Blur radii from 0 to 29 px, so that pixels are merged up to 4 x 4.
    """
    radiance, side = np.array([8.0, 5.0, 2.0]), 0.12
    spot = sheet(
        colour=tuple(radiance), centre_mm=(0.013, -0.021, z_mm), outline=rectangle(side, side)
    )
    picture = render_view(scene(spot), rig, diffraction=diffraction)
    area_px = (side * 5000 / (100 + z_mm)) ** 2
    assert picture.sum(axis=(0, 1)) == pytest.approx(radiance * area_px, rel=1e-3)


@pytest.mark.parametrize("pose", [TILTED, HELD], ids=["tilted", "held"])
def test_energy_is_kept_by_a_camera_in_any_pose(rig, scene, sheet, pose):
    """Under a tilt the spot's image is as large as its corners say."""
    spot = sheet(colour=(8, 5, 2), centre_mm=(0.2, -0.1, 0.5), outline=rectangle(0.4, 0.3))
    corners = [
        (0.2 + x, -0.1 + y, 0.5)
        for x, y in ((-0.2, -0.15), (0.2, -0.15), (0.2, 0.15), (-0.2, 0.15))
    ]
    wide = replace(rig, sensor=replace(rig.sensor, width_px=900, height_px=900))
    row, col, _ = Camera(wide, pose).project(corners)
    area_px = abs(np.dot(row, np.roll(col, 1)) - np.dot(col, np.roll(row, 1))) / 2
    picture = render_view(scene(spot), wide, pose=pose, diffraction=False)
    assert picture[..., 0].sum() == pytest.approx(8 * area_px, rel=2e-3)


@pytest.mark.parametrize("z_mm", [0.3, 1.2, 2.0, 3.0, 5.5])
def test_energy_of_a_droplet_is_kept(rig, scene, z_mm):
    """A droplet's highlight, whose blur changes over the drop, keeps its light: to 0.1 %."""
    drop = Balls(kind="balls", name="drop", at_mm=((0.0131, -0.0212, z_mm),), radius_mm=(0.05,))
    camera = Camera(rig)
    sharp, blurred = (
        render(scene(drop), camera, focus=focus, diffraction=False) for focus in ((), (camera,))
    )
    assert blurred.sum() == pytest.approx(sharp.sum(), rel=1e-3)


# ---- the pinhole ------------------------------------------------------------------------------


def seen_by_a_pinhole(scene, camera, *, samples=1):
    """Lay the parts' unblurred views over each other, far to near."""
    picture = np.empty((*camera.frame.shape, 3), np.float32)
    picture[:] = scene.backdrop
    for part in parts_of(scene):
        view = part.view(camera, camera.frame, sampling=Sampling(samples))
        cover = 1.0 if view.coverage is None else view.coverage[..., None]
        picture *= 1 - cover
        picture += view.colour
    return picture


@pytest.mark.parametrize("name", ["pickets", "ramp", "snail-shell", SLOW_LEAF])
def test_a_tiny_aperture_sees_what_a_pinhole_sees(name):
    """As the aperture closes (without diffraction), the picture tends to the pinhole's."""
    scene = load_scene(name)
    rig = load_rig(scene.rig)
    open_wide, closed = (
        render_view(scene, used, pose=HELD, crop=(192, 128), diffraction=False)
        for used in (rig, stopped_to(rig, 1e5))
    )
    pinhole = seen_by_a_pinhole(scene, Camera(rig, HELD, crop=(192, 128)), samples=2)
    inside = (slice(3, -3),) * 2  # a view knows no slopes beyond its own edge
    assert psnr_db(closed[inside], pinhole[inside]) > 75
    assert psnr_db(open_wide[inside], pinhole[inside]) < 50


@pytest.mark.parametrize("pose", [HELD, TILTED], ids=["held", "tilted"])
def test_the_pinhole_sees_along_straight_rays(rig, scene, sheet, pose):
    """A pinhole's picture is the mean colour that 8 x 8 rays per pixel hit, by plane geometry."""
    made = scene(
        sheet(
            "wall",
            texture=Bars(colours=((0.8, 0.1, 0.1), (0.1, 0.1, 0.6)), pitch_mm=1.4),
            centre_mm=(0, 0, 5),
        ),
        sheet(
            "bar",
            colour=(0.1, 0.9, 0.2),
            centre_mm=(0.3, -0.1, 1),
            rotate_deg=25,
            outline=rectangle(0.5, 1.7),
        ),
        sheet(
            "near", colour=(0.9, 0.9, 0.1), centre_mm=(-0.6, 0.3, -2), outline=rectangle(0.8, 0.6)
        ),
    )
    picture = render_view(made, stopped_to(rig, 1e5), pose=pose, diffraction=False)
    place = (np.arange(8) + 0.5) / 8
    down = ((np.arange(128)[:, None] + place).ravel() - 64) / 5000
    across = ((np.arange(192)[:, None] + place).ravel() - 96) / 5000
    rays = np.stack(np.broadcast_arrays(across[None, :], down[:, None], 1.0), axis=-1)
    rays = rays @ pose.rotation().T
    eye = pose.shift_mm - [0, 0, 100]

    def hit(z):
        share = (z - eye[2]) / rays[..., 2]
        return eye[0] + share * rays[..., 0], eye[1] + share * rays[..., 1]

    x, _ = hit(5.0)
    phase = x / 1.4 - np.rint(x / 1.4)
    traced = np.where((np.abs(phase) < 0.25)[..., None], [0.8, 0.1, 0.1], [0.1, 0.1, 0.6])
    x, y = hit(1.0)
    cos, sin = np.cos(np.deg2rad(25)), np.sin(np.deg2rad(25))
    u, v = cos * (x - 0.3) + sin * (y + 0.1), cos * (y + 0.1) - sin * (x - 0.3)
    traced[(np.abs(u) < 0.25) & (np.abs(v) < 0.85)] = [0.1, 0.9, 0.2]
    x, y = hit(-2.0)
    traced[(np.abs(x + 0.6) < 0.4) & (np.abs(y - 0.3) < 0.3)] = [0.9, 0.9, 0.1]
    traced = traced.reshape(128, 8, 192, 8, 3).mean(axis=(1, 3))
    assert np.median(np.abs(picture - traced)) < 1e-6
    assert psnr_db(picture, traced) > 36


# ---- places and sizes -------------------------------------------------------------------------


@pytest.mark.parametrize(
    "pose",
    [
        NOMINAL,
        Pose(x_mm=0.4),
        Pose(y_mm=-0.3),
        Pose(z_mm=1.7),
        Pose(pitch_mrad=4),
        Pose(yaw_mrad=-5),
        Pose(roll_mrad=300),
        TILTED,
    ],
)
@pytest.mark.parametrize("focus_mm", [0.0, 3.0])
def test_a_spot_lands_where_its_point_projects(rig, scene, sheet, pose, focus_mm):
    """In focus or not, the middle of a spot's light is the image of its middle.

    Where the blur is wide and pixels are merged, a spot smaller than those may be off by 0.1 px.
    """
    point = (0.35, -0.28, 1.1)
    side = 0.06
    spot = sheet(colour=(5, 5, 5), centre_mm=point, outline=rectangle(side, side))
    wide = replace(rig, sensor=replace(rig.sensor, width_px=1000, height_px=800))
    row, col, _ = Camera(wide, pose, focus_mm).project(point)
    picture = render_view(scene(spot), wide, pose=pose, focus_mm=focus_mm, diffraction=False)
    assert centroid(picture) == pytest.approx((row, col), abs=0.12)


def test_a_step_forward_enlarges_the_picture_by_step_over_distance(rig, scene, sheet):
    """Two spots in the plane of focus move apart by s / (d - s), measured in the pictures."""
    ends = [
        sheet(name, colour=(4, 4, 4), centre_mm=(x, 0, 0), outline=rectangle(0.1, 0.1))
        for name, x in (("left", -1.5), ("right", 1.5))
    ]
    apart = []
    for z_mm in (0.0, 1.0):
        picture = render_view(scene(*ends), rig, pose=Pose(z_mm=z_mm))
        left, right = centroid(picture[:, :96])[1], centroid(picture[:, 96:])[1] + 96
        apart.append(right - left)
    assert apart[1] / apart[0] - 1 == pytest.approx(1.0 / 99.0, rel=0.01)


def test_refocusing_enlarges_the_picture_as_the_thin_lens_says(rig, scene, sheet):
    """Focused 5 mm farther: u = 105 mm, v = 95.45 mm, m = 0.909 (1/u + 1/v = 1/50 mm).

    A point at u has the size m; the pupil stands still, so all points scale by v / 100 mm.
    """
    ends = [
        sheet(name, colour=(4, 4, 4), centre_mm=(x, 0, 5), outline=rectangle(0.1, 0.1))
        for name, x in (("left", -1.2), ("right", 1.2))
    ]
    sharp = stopped_to(rig, 1e4)
    for focus_mm, magnification in ((0.0, 100 / 105), (5.0, 1 / (105 / 50 - 1))):
        picture = render_view(scene(*ends), sharp, focus_mm=focus_mm, diffraction=False)
        left, right = centroid(picture[:, :96])[1], centroid(picture[:, 96:])[1] + 96
        assert right - left == pytest.approx(2.4 * magnification * 50, abs=0.02)


@pytest.mark.parametrize("focus_mm", [0.0, 4.0, -3.0])
def test_sharp_is_what_lies_in_the_plane_of_focus(rig, scene, sheet, focus_mm):
    """Refocused, the plane at z = focus_mm is as sharp as the nominal one was; others are not."""

    def steepest(z_mm):
        edge = sheet(colour=(1, 1, 1), centre_mm=(5, 0, z_mm), outline=rectangle(10, 20))
        picture = render_view(scene(edge), rig, focus_mm=focus_mm)
        return np.abs(np.diff(picture[64, :, 1])).max()

    assert steepest(focus_mm) > 0.45
    assert steepest(focus_mm + 1.0) < 0.25
    assert steepest(focus_mm - 1.0) < 0.25


@pytest.mark.parametrize("offset_mm", [-4.0, -1.5, 0.8, 3.0, 6.0])
@pytest.mark.parametrize("diffraction", [True, False])
def test_a_point_s_blur_has_the_diameter_of_the_optics(rig, scene, sheet, offset_mm, diffraction):
    """A point's disc, by the area above half its level, is b = 2 m NA z / (1 + z/d) wide."""
    dot = sheet(colour=(100, 100, 100), centre_mm=(0, 0, offset_mm), outline=rectangle(0.01, 0.01))
    disc = render_view(scene(dot), rig, diffraction=diffraction)[..., 1]
    level = np.median(disc[disc > 0.3 * disc.max()])
    measured_px = 2 * np.sqrt((disc > level / 2).sum() / np.pi)
    wanted_px = float(optics.blur_diameter_um(rig, offset_mm)) / 20.0
    assert measured_px == pytest.approx(wanted_px, abs=1.0)


def test_the_plane_of_focus_advances_with_the_camera(rig, scene, sheet):
    """A camera moved by s sees z = s as it saw z = 0 before."""
    here, there = (
        scene(
            sheet(texture=Bars(colours=((1, 1, 1), (0, 0, 0)), pitch_mm=0.5), centre_mm=(0, 0, z))
        )
        for z in (0.0, 2.5)
    )
    assert render_view(there, rig, pose=Pose(z_mm=2.5)) == pytest.approx(
        render_view(here, rig), abs=1e-5
    )


def test_near_hides_far_whatever_is_in_focus(rig, scene, sheet):
    """Behind an opaque bar, farther in than its blur, 0.01 % of a lamp shines through at most."""
    lamp = sheet("lamp", colour=(50, 50, 50), centre_mm=(0, 0, 2), outline=rectangle(0.1, 0.1))
    bar = sheet("bar", colour=(0.2, 0.2, 0.2), centre_mm=(0, 0, -1), outline=rectangle(1.5, 5))
    for z_mm in (-1.0, 0.5, 2.0):
        picture = render_view(scene(lamp, bar), rig, pose=Pose(z_mm=z_mm), diffraction=False)
        assert picture[54:74, 84:108] == pytest.approx(0.2, abs=5e-3)


# ---- frames, crops, bins and tiles ------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "margin_px"),
    [
        *((name, 48) for name in ("pickets", "sticky-leaf", "snail-shell", "slanted-edges")),
        # Nothing is merged on multiples of pixels that are counted from a crop's own corner.
        *((name, 41) for name in ("pickets", "snail-shell")),
    ],
)
def test_a_crop_is_the_middle_of_the_picture(name, margin_px):
    """A crop has the pixels of the larger picture's middle: light comes in from outside it."""
    scene = load_scene(name)
    rig = load_rig(scene.rig)
    whole = render_view(scene, rig, pose=HELD, crop=(288, 192))
    part = render_view(scene, rig, pose=HELD, crop=(288 - 2 * margin_px, 192 - 2 * margin_px))
    # Measured 2e-6; up to 0.015 where what was laid depended on where the frame ended.
    inner = slice(margin_px, -margin_px)
    assert part == pytest.approx(whole[inner, inner], abs=1e-5)


@pytest.mark.parametrize("pose", [NOMINAL, HELD, TILTED], ids=["nominal", "held", "tilted"])
def test_binning_merges_pixels(rig, scene, sheet, pose):
    """A picture with merged pixels is the mean of the full picture over each."""
    made = scene(
        sheet("wall", colour=(0.2, 0.4, 0.6), centre_mm=(0, 0, 3)),
        sheet(
            "disc",
            colour=(0.8, 0.3, 0.1),
            centre_mm=(0.4, 0.2, 0.4),
            outline=Outline(kind="ellipse", size_mm=(1.7, 1)),
        ),
        sheet(
            "bar",
            colour=(0.1, 0.7, 0.2),
            centre_mm=(-0.5, 0, -1),
            rotate_deg=15,
            outline=rectangle(0.4, 3),
        ),
    )
    full, merged = (render_view(made, rig, pose=pose, bin=bin_px) for bin_px in (1, 4))
    blocks = full.reshape(32, 4, 48, 4, 3).mean(axis=(1, 3))
    assert psnr_db(merged, blocks) > 50


def hair(scene, name="hair"):
    """Return a scene with one bright hair that rises steeply toward the camera."""
    return scene(
        Fibres(
            kind="fibres",
            name=name,
            radius_um=(30, 30),
            root_colour=(1, 1, 1),
            tip_colour=(1, 1, 1),
            paths_mm=(((-0.2, 1.4, 1.5), (0.0, 0.0, 0.1), (0.1, -0.6, -0.4)),),
        )
    )


def test_a_hair_cut_by_the_frame_keeps_its_light(rig, scene):
    """A hair that leaves the frame looks within it as it does in a larger frame."""
    whole = render_view(hair(scene), rig)
    part = render_view(hair(scene), rig, crop=(64, 40))
    assert part == pytest.approx(whole[44:84, 64:128], abs=2e-3)


@pytest.mark.parametrize("diffraction", [False, True])
@pytest.mark.parametrize("name", ["pickets", SLOW_LEAF, "ramp"])
def test_the_picture_does_not_show_its_tiles(monkeypatch, name, diffraction):
    """Rendered in small tiles it is the same picture; measured 2e-6."""
    scene = load_scene(name)
    camera = Camera(load_rig(scene.rig), HELD, crop=(288, 192))
    whole = render(scene, camera, focus=(camera,), diffraction=diffraction)
    monkeypatch.setattr(renderer, "TILE_PX", 75)
    tiled = render(scene, camera, focus=(camera,), diffraction=diffraction)
    assert np.abs(tiled - whole).max() < 1e-5


def test_a_moving_part_does_not_show_the_tiles(monkeypatch, rig, scene, sheet):
    """Motion during the exposure reaches over the edges of tiles."""
    made = scene(
        sheet("wall", colour=(0.1, 0.2, 0.4), centre_mm=(0, 0, 2), living=False),
        sheet(
            "leaf",
            texture=Bars(colours=((0.9, 0.5, 0.2), (0.1, 0.3, 0.1)), pitch_mm=0.4),
            outline=rectangle(2.5, 1.5),
        ),
    )
    camera = Camera(rig, HELD)
    path = Path(np.array([[0.0, -7.0], [0.0, 7.0], [5.0, 0.0], [-5.0, 0.0]]), np.full(4, 0.25))
    whole = render(made, camera, focus=(camera,), motion=path)
    monkeypatch.setattr(renderer, "TILE_PX", 50)
    assert render(made, camera, focus=(camera,), motion=path) == pytest.approx(whole, abs=1e-3)


@pytest.mark.parametrize("end_mm", [-4.0, -2.5, -1.0])
def test_a_hair_with_its_tip_in_focus_has_nothing_dark_beside_it(rig, scene, sheet, end_mm):
    """Each pixel is a mean of the light of hair and wall, so none is darker than the darkest."""
    hair = Fibres(
        name="hair",
        kind="fibres",
        paths_mm=[[(-1.2, -0.3, end_mm), (1.2, 0.3, 0.0)]],
        radius_um=(100, 50),
        root_colour=(0.6, 0.6, 0.6),
        tip_colour=(0.6, 0.6, 0.6),
    )
    bars = Bars(colours=((0.9, 0.9, 0.9), (0.5, 0.5, 0.5)), pitch_mm=0.5)
    made = scene(
        sheet("wall", texture=bars, centre_mm=(0, 0, 1)), hair, lighting=Lighting(ambient=1)
    )
    assert render_view(made, rig).min() > 0.4985


@pytest.mark.parametrize("half_mm", [1.6, 1.9, 4.0, 4.6, None])
def test_what_is_hidden_is_left_out_and_not_missed(monkeypatch, rig, scene, sheet, half_mm):
    """Whether a card nearly fills the picture or more: it is as with all that is behind it."""
    outline = Outline(kind="spiral", radius_mm=8.0)  # which is not convex
    if half_mm:
        outline = Outline(kind="ellipse", size_mm=(2.6 * half_mm, 2 * half_mm))
    made = scene(
        sheet("wall", texture=Bars(colours=((1, 1, 1), (0, 0, 0)), pitch_mm=0.5)),
        sheet(
            "card",
            centre_mm=(0.1, 0, -0.5),
            rotate_deg=20,
            relief=Rough(amplitude_mm=0.05, cell_mm=0.8),
            outline=outline,
        ),
        Balls(name="bead", at_mm=[(0, 0, -1)], radius_mm=(0.2,), kind="balls"),
    )
    camera = Camera(rig, HELD, crop=(140, 100))
    seen = []
    view = SheetPart.view
    monkeypatch.setattr(
        SheetPart, "view", lambda part, *a, **o: seen.append(part.name) or view(part, *a, **o)
    )
    picture = render(made, camera, focus=(camera,))
    assert ("wall" not in seen) == (half_mm is None or half_mm > 2.0)
    monkeypatch.setattr(SheetPart, "fills", lambda part, *_: part.name == "wall")
    monkeypatch.setattr(renderer, "_unhidden", lambda looks, tile: (looks, {}))
    seen.clear()
    assert np.array_equal(picture, render(made, camera, focus=(camera,)))
    assert "wall" in seen


@pytest.mark.parametrize("shape", [(100, 200), (75, 75), (76, 149)])
def test_tiles_cover_the_frame_once(monkeypatch, shape):
    """Tiles are no larger than asked for, nearly alike, and neither overlap nor leave a gap."""
    monkeypatch.setattr(renderer, "TILE_PX", 75)
    frame = Window(0, shape[0], 0, shape[1])
    count = np.zeros(shape, int)
    for tile in tiles_of(frame):
        assert max(tile.shape) <= 75
        count[tile.slices_in(frame)] += 1
    assert (count == 1).all()


# ---- depth and subject ------------------------------------------------------------------------


def test_depth_is_along_the_optical_axis_of_the_camera(rig, scene, sheet):
    """For a plane seen by a tilted camera: z along its axis, from the origin, by plane geometry."""
    wall = scene(sheet(centre_mm=(0, 0, 2.0)))
    depth = view_depth(wall, rig, pose=TILTED)
    camera = Camera(rig, TILTED)
    x, y, z = (np.broadcast_to(part, depth.shape) for part in camera.directions(camera.frame))
    share = (2.0 - camera.pupil_mm[2]) / z
    points = camera.pupil_mm + share[..., None] * np.stack([x, y, z], axis=-1)
    assert depth == pytest.approx(points @ camera.rotation[:, 2], abs=2e-4)
    assert view_depth(wall, rig, pose=Pose(z_mm=1.5)) == pytest.approx(2.0, abs=1e-4)


def test_a_subject_that_has_left_is_not_in_the_picture(rig, scene, sheet):
    """Living parts are gone, the rest stays."""
    wall = sheet("wall", colour=(0.2, 0.2, 0.2), centre_mm=(0, 0, 1), living=False)
    fly = sheet("fly", colour=(0.9, 0.9, 0.9), outline=rectangle(1, 1))
    camera = Camera(rig, subject=SubjectPose(present=False))
    assert render(scene(wall, fly), camera, focus=(camera,)) == pytest.approx(
        render_view(scene(wall), rig), abs=1e-6
    )


def test_a_living_part_moves_with_the_subject(rig, scene, sheet):
    """The picture of a subject moved by (x, y, z) is that of a part built there."""
    wall = sheet("wall", colour=(0.2, 0.2, 0.2), centre_mm=(0, 0, 3), living=False)
    shift = {"x_mm": 0.2, "y_mm": -0.15, "z_mm": 0.6}
    fly, moved = (
        sheet("fly", colour=(0.9, 0.5, 0.1), centre_mm=place, outline=rectangle(0.8, 0.6))
        for place in ((0, 0, 0), tuple(shift.values()))
    )
    camera = Camera(rig, HELD, subject=SubjectPose(**shift))
    assert render(scene(wall, fly), camera, focus=(camera,)) == pytest.approx(
        render_view(scene(wall, moved), rig, pose=HELD), abs=1e-4
    )


def test_the_same_view_has_the_same_bytes():
    """Rendering draws nothing at random."""
    scene = load_scene("sticky-leaf")
    rig = load_rig(scene.rig)
    first, second = (render_view(scene, rig, pose=HELD, crop=(96, 64)) for _ in range(2))
    assert first.dtype == np.float32
    assert first.tobytes() == second.tobytes()
