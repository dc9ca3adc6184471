"""What is right at every edge: reproductions of errors that pictures once had."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import special

from stacktruth.simulator import Pose, Rig, Scene, render_view
from stacktruth.simulator.compositing.levels import Level
from stacktruth.simulator.scene.relief.plain import Slope
from stacktruth.simulator.scene.scene import Balls, Fibres, Outline, Sheet
from stacktruth.simulator.scene.texture.plain import Flat
from stacktruth.simulator.scene.texture.target import Bars, Checker
from stacktruth.simulator.view.camera import Camera
from stacktruth.simulator.view.parts import parts_of

GREY = Flat(colour=(0.5, 0.5, 0.5))
PALE, DARK = (0.9, 0.85, 0.8), (0.05, 0.05, 0.05)


def plate(name: str, z_mm: float, texture: object, size_mm: tuple | None = None, **more) -> Sheet:
    """Return an unlit flat sheet, a rectangle where a size is given."""
    outline = Outline(kind="rectangle", size_mm=size_mm) if size_mm else Outline()
    asked = {"centre_mm": (0.0, 0.0, z_mm), "outline": outline, "texture": texture, "lit": False}
    return Sheet(name=name, **(asked | more))


def made(*surfaces: object) -> Scene:
    """Return a scene of surfaces, from far to near, before black."""
    size = {"field_mm": (3.84, 2.56), "depth_mm": (-1.0, 1.0)}
    return Scene(name="made", surface=surfaces, backdrop=(0, 0, 0), **size)


@pytest.mark.parametrize("cells", [1, 7])
@pytest.mark.parametrize("colour_mm", [0.0, 0.002])
@pytest.mark.parametrize("yaw_mrad", [0.1, 0.5, 2.0, 5.0])
def test_a_card_across_focus_keeps_its_light(
    rig: Rig, yaw_mrad: float, colour_mm: float, cells: int
) -> None:
    """A tilt of up to 5 mrad changes the light of a card by less than 1 in 1000.

    A Lambertian card's radiance does not depend on its tilt, and its area changes by 1e-5.
    """
    lens = replace(rig.lens, axial_colour_mm=(colour_mm, 0.0, -colour_mm))
    scene = made(plate("card", 0.0, GREY, (1.6, 1.2)))
    pose = Pose(x_mm=-100 * np.sin(yaw_mrad * 1e-3), yaw_mrad=yaw_mrad)
    quality = Level("cells", cuts=((0.0, cells),)) if cells > 1 else "fast"
    asked = {"rig": replace(rig, lens=lens), "quality": quality}
    level, tilted = (render_view(scene, pose=one, **asked).sum() for one in (Pose(), pose))
    assert tilted == pytest.approx(level, rel=1e-3)


@pytest.mark.parametrize("quality", ["fast", "true"])
def test_a_sharp_bar_casts_no_ghost_beside_it(rig: Rig, quality: str) -> None:
    """A blurred bar before a sharp checker before a blurred wall: what is not the checker's light.

    Swapping the checker's colours changes the checker alone. Its edge is sharp, so two pixels
    outside it nothing may depend on them.
    """
    swapped = [
        made(
            plate("wall", 3.0, Checker(colours=(PALE, DARK), cell_mm=0.4, angle_deg=10)),
            plate("checker", 0.0, Checker(colours=colours, cell_mm=0.2), (1.0, 9.0)),
            plate("bar", -3.0, Flat(colour=(0.2, 0.3, 0.4)), (9.0, 0.8), rotate_deg=30),
        )
        for colours in ((PALE, DARK), (DARK, PALE))
    ]
    asked = {"diffraction": False, "quality": quality}
    first, second = (render_view(scene, rig, **asked) for scene in swapped)
    outside = np.ones(first.shape[:2], bool)
    outside[:, 96 - 25 - 2 : 96 + 25 + 2] = False
    assert np.abs(first - second)[outside].max() < 1e-3
    assert np.abs(first - second)[~outside].max() > 0.5


@pytest.mark.slow
def test_cells_are_no_worse_than_none_on_a_textured_slope(rig: Rig) -> None:
    """A checker on a slope through focus, against its own pinhole views at many places a pixel.

    The reference adds up views from 200 places of the pupil, each sampled 8 x 8 times a pixel.
    """
    relief = Slope(slope_x=0.6, slope_y=0.1, reach_mm=6.0)
    texture = Checker(colours=(PALE, DARK), cell_mm=0.13, angle_deg=17)
    scene = made(plate("slope", 0.0, texture, relief=relief))
    wanted = traced_slope(rig, relief, texture)
    inside = np.s_[30:-30, 50:-50]
    errors = []
    for quality in ("fast", Level("cells", cuts=((0.0, 16),), samples=2)):
        picture = render_view(scene, rig, diffraction=False, quality=quality)
        errors.append(np.sqrt(np.mean(np.square(picture - wanted)[inside])))
    # Measured 42.1 and 53.1 dB; 40.1 where cells took four scattered samples a pixel.
    assert errors[1] < errors[0]
    assert -20 * np.log10(errors[1]) > 50


@pytest.mark.parametrize("size_mm", [0.2, 0.8])
@pytest.mark.parametrize("radius_px", [3.0, 9.0, 14.0, 23.0, 25.0, 50.0])
def test_a_spot_stays_where_it_belongs(rig: Rig, radius_px: float, size_mm: float) -> None:
    """The centroid of a blurred card is where its middle projects, wherever that is in a pixel."""
    wide = replace(rig, sensor=replace(rig.sensor, width_px=320, height_px=240))
    share = radius_px * 0.02 / (rig.lens.focal_length_mm / (2 * rig.lens.f_number))
    depth_mm = 100.0 * share / (1 - share)
    for number in range(8):
        place_px = 0.2 + 1.73 * number
        x_mm = place_px * 0.02 * (100.0 + depth_mm) / 100.0
        card = plate("card", 0.0, GREY, (size_mm,) * 2, centre_mm=(x_mm, 0.0, depth_mm))
        columns = render_view(made(card), wide, diffraction=False)[..., 1].sum(axis=0, dtype=float)
        centroid = columns @ (np.arange(320) + 0.5) / columns.sum()
        # Measured 0.012; 1.0 where merging took block means.
        assert centroid - 160 == pytest.approx(place_px, abs=0.03)


def test_energy_is_kept_through_focus(rig: Rig) -> None:
    """A card's light, relative to its solid angle, is the same at any defocus, to 1e-4."""
    wide = replace(rig, sensor=replace(rig.sensor, width_px=320, height_px=240))
    light = []
    for depth_mm in (-6.0, -2.0, -0.5, 0.0, 0.3, 1.0, 4.0, 9.0):
        card = plate("card", depth_mm, GREY, (0.8, 0.6))
        area = 0.8 * 0.6 * (100.0 / (100.0 + depth_mm)) ** 2 / 0.02**2
        light.append(render_view(made(card), wide).sum(dtype=float) / 1.5 / area)
    np.testing.assert_allclose(light, 1.0, rtol=1e-4)


@pytest.mark.parametrize("radius_px", [6.0, 14.0, 40.0])
@pytest.mark.parametrize("turns", [0.5, 0.8, 1.2, 1.6, 2.4, 3.2])
def test_waves_under_wide_blur_keep_the_contrast_of_a_disc(
    rig: Rig, radius_px: float, turns: float
) -> None:
    """A wave of f cycles/px under a disc of radius r keeps 2 J1(x) / x of itself, x = 2 pi f r.

    That is the transfer of a defocused pupil by geometric rays (Hopkins 1955, Proc. R. Soc. A 231,
    91; from memory). Wide blur is laid on merged pixels, which hold no waves beyond f r of some
    1.6: by then the disc leaves at most 3 % of a wave, and all of that may be missing.
    """
    frequency = turns / radius_px
    share = radius_px * 0.02 / (rig.lens.focal_length_mm / (2 * rig.lens.f_number))
    behind_mm = 100.0 * share / (1 - share)
    waves = []
    for z_mm in (0.0, behind_mm):
        pitch_mm = (100.0 + z_mm) / 100.0 * 0.02 / frequency
        bars = Bars(colours=((1.0,) * 3, (0.0,) * 3), pitch_mm=pitch_mm)
        picture = render_view(made(plate("bars", z_mm, bars)), rig, diffraction=False)
        columns = picture[..., 1].mean(axis=0, dtype=float) - 0.5
        weight = np.hanning(len(columns))
        place = np.arange(len(columns)) - len(columns) / 2 + 0.5
        waves.append(weight @ (columns * np.exp(-2j * np.pi * frequency * place)))
    x = 2 * np.pi * turns
    kept = (waves[1] / waves[0]).real
    # Measured 0.005 and 0.024.
    assert kept == pytest.approx(2 * special.j1(x) / x, abs=0.007 if turns <= 1.2 else 0.026)


def traced_slope(rig: Rig, relief: Slope, texture: Checker, rays: int = 200) -> np.ndarray:
    """Meet a plane z = -(a x + b y) by rays from all over a thin lens."""
    distance, radius = 100.0, rig.lens.focal_length_mm / (2 * rig.lens.f_number)
    number = np.arange(rays) + 0.5
    out, turn = radius * np.sqrt(number / rays), number * np.pi * (3 - np.sqrt(5))
    spots = (np.arange(8) + 0.5) / 8
    x, y = (
        ((np.arange(n)[:, None] + spots).ravel() - n / 2) * 0.02
        for n in (rig.sensor.width_px, rig.sensor.height_px)
    )
    x, y = np.meshgrid(x, y)
    light = np.zeros((rig.sensor.height_px, rig.sensor.width_px, 3))
    angle = np.deg2rad(texture.angle_deg)
    for eye_x, eye_y in zip(out * np.cos(turn), out * np.sin(turn), strict=True):
        # Along the ray x = eye + (point - eye) t, z = distance (t - 1).
        dx, dy = x - eye_x, y - eye_y
        rise = relief.slope_x * eye_x + relief.slope_y * eye_y
        t = (distance - rise) / (distance + relief.slope_x * dx + relief.slope_y * dy)
        u, v = eye_x + dx * t, eye_y + dy * t
        along = np.rint((np.cos(angle) * u + np.sin(angle) * v) / texture.cell_mm)
        across = np.rint((np.cos(angle) * v - np.sin(angle) * u) / texture.cell_mm)
        first = ((along + across) % 2 == 0).reshape(light.shape[0], 8, light.shape[1], 8)
        share = first.mean(axis=(1, 3))[..., None]
        light += share * np.array(texture.colours[0]) + (1 - share) * np.array(texture.colours[1])
    return light / rays


@pytest.mark.parametrize("tilt", [(0.0, 0.0), (0.4, -0.3)])
def test_a_fibre_off_axis_is_as_wide_and_near_as_traced_rays_find_it(
    rig: Rig, tilt: tuple[float, float]
) -> None:
    """Its area and the depth of its skin 40 degrees off axis, from the quadratic of a cylinder.

    Measured 1e-3 of the area and 1e-4 mm; a strip of width f r / Z has 0.77 of the area.
    """
    wide = replace(
        rig,
        lens=replace(rig.lens, focal_length_mm=10.0),
        sensor=replace(rig.sensor, width_px=1700, height_px=64),
    )
    camera, radius = Camera(wide), 0.09
    away = np.tan(np.deg2rad(40)) * camera.distance_mm
    start = np.array([away - 4 * tilt[0], -4.0, -4 * tilt[1]])
    end = np.array([away + 4 * tilt[0], 4.0, 4 * tilt[1]])
    hair = Fibres(
        kind="fibres",
        name="hair",
        radius_um=(1e3 * radius,) * 2,
        paths_mm=((tuple(start), tuple(end)),),
    )
    view = parts_of(made(hair))[0].view(camera, camera.frame, bare=True)
    fine = 4
    row, col = ((np.arange(n * fine) + 0.5) / fine for n in camera.frame.shape)
    down, across = camera.rays_at(row[:, None], col[None, :])
    rays = np.stack(np.broadcast_arrays(across, down, 1.0), axis=-1)
    axis = (end - start) / np.linalg.norm(end - start)
    beside = rays - (rays @ axis)[..., None] * axis
    to_eye = camera.pupil_mm - start
    to_eye = to_eye - (to_eye @ axis) * axis
    a, b = (beside**2).sum(axis=-1), beside @ to_eye
    root = b * b - a * (to_eye @ to_eye - radius**2)
    depth = (-b - np.sqrt(np.maximum(root, 0))) / a
    assert view.coverage.sum() == pytest.approx((root > 0).sum() / fine**2, rel=4e-3)
    blocks = (camera.frame.shape[0], fine, camera.frame.shape[1], fine)
    inside = (root > 0).reshape(blocks).all(axis=(1, 3)) & (view.coverage > 0.999)
    inside &= np.hypot(*np.indices(inside.shape)) > 0
    found = depth.reshape(blocks).mean(axis=(1, 3))[inside]
    # Within a pixel at the rim the depth changes fast: compare where the skin is less steep.
    error = np.abs(view.depth_mm[inside] - found)
    # Measured 0.005 mm on the leaning one; 0.089 where the depth was the axis.
    assert np.quantile(error, 0.9) < 6e-3


def test_a_slope_that_goes_on_into_focus_beyond_its_edge_is_laid(rig: Rig) -> None:
    """A card blurred all over whose surface, beyond its edge, would come into focus.

    The inside of an unlit grey card is grey: it sends 0.5 to all of the pupil.
    """
    relief = Slope(slope_x=1.2, slope_y=0.0, reach_mm=9.0)
    scene = made(plate("card", 2.4, GREY, (2.4, 2.4), relief=relief))
    picture = render_view(scene, rig, diffraction=False)
    rows, cols = (slice(n // 2 - 3, n // 2 + 3) for n in picture.shape[:2])
    np.testing.assert_allclose(picture[rows, cols], 0.5, atol=2e-3)


@pytest.mark.parametrize("highlight", [0.0, 0.1])
def test_a_ball_without_a_reflection_has_no_dark_spot(rig: Rig, highlight: float) -> None:
    """A reflection adds light: without one a dull ball is as bright as its cosine says."""
    balls = Balls(
        kind="balls",
        name="ball",
        at_mm=((0, 0, 0.4),),
        radius_mm=(0.4,),
        colour=(0.6,) * 3,
        clear=0.0,
        highlight=highlight,
    )
    picture = render_view(made(balls), rig, diffraction=False)
    lit = made(balls).lighting
    toward = np.array(lit.toward) / np.linalg.norm(lit.toward)
    half = toward + np.array([0, 0, -1])
    half /= np.linalg.norm(half)
    # The middle of where the reflection would be, 0.4 mm x 50 px/mm from the ball's.
    row, col = (
        int(n / 2 + 0.4 * 50 * half[k]) for n, k in zip(picture.shape[:2], (1, 0), strict=True)
    )
    dull = lit.ambient + (1 - lit.ambient) * (half @ toward)
    assert picture[row, col, 1] == pytest.approx(0.6 * dull, abs=0.02)
