"""Tests of the pupil's cells and of the pictures made through them."""

from dataclasses import replace

import numpy as np
import pytest

from stacktruth.simulator import Rig, Scene, render_view
from stacktruth.simulator.blur.defocus import Blurred
from stacktruth.simulator.blur.pupil_cells import cut_pupil
from stacktruth.simulator.compositing.levels import Level
from stacktruth.simulator.compositing.pile import Pile
from stacktruth.simulator.scene.scene import Outline, Sheet
from stacktruth.simulator.scene.texture.plain import Flat
from stacktruth.simulator.view.camera import Window


def through(cells: int) -> Level:
    """Return a level that sees all of a picture through so many cells."""
    return Level("cells", cuts=((0.0, cells),))


def plate(name: str, z_mm: float, level: float, outline: Outline | None = None) -> Sheet:
    """Return a flat grey sheet."""
    return Sheet(
        name=name,
        centre_mm=(0.0, 0.0, z_mm),
        outline=outline or Outline(),
        texture=Flat(colour=(level,) * 3),
    )


def two_plates(near_mm: float, far_mm: float, level: float) -> Scene:
    """Return a bar of one level before a wall of another."""
    bar = Outline(kind="rectangle", size_mm=(1.0, 9.0))
    surfaces = (plate("wall", far_mm, 0.5), plate("bar", near_mm, level, bar))
    return Scene(name="plates", field_mm=(3.8, 2.5), depth_mm=(-1.0, 1.0), surface=surfaces)


@pytest.mark.parametrize("count", [1, 2, 7, 16])
def test_cells_make_up_the_whole_pupil(count: int) -> None:
    """Shares add up to one, and middles have their mean on the axis."""
    cells = cut_pupil(count)
    assert sum(cell.share for cell in cells) == pytest.approx(1.0)
    mean = sum(cell.share * np.array(cell.middle) for cell in cells)
    np.testing.assert_allclose(mean, 0.0, atol=1e-9)
    # Mean square radius of a disc is 1/2: that of the middles and of the cells about them.
    if count > 6:
        square = sum(cell.share * np.square(cell.middle).sum() for cell in cells)
        assert 0.5 - 0.9 / count < square < 0.5


def test_no_cells_are_refused() -> None:
    """An error says what is allowed."""
    with pytest.raises(ValueError, match="cells: got 0, allowed 1 or more"):
        cut_pupil(0)


@pytest.mark.parametrize("diffraction", [False, True])
def test_a_uniform_scene_stays_uniform_through_cells(rig: Rig, diffraction: bool) -> None:
    """One level everywhere is that level, whatever the blur."""
    scene = two_plates(-0.6, 0.8, 0.5)
    picture = render_view(scene, rig, quality=through(7), diffraction=diffraction)
    np.testing.assert_allclose(picture, 0.5, atol=2e-3)


def test_cells_change_nothing_where_one_side_is_sharp(rig: Rig) -> None:
    """A sharp bar before a blurred wall is laid right in any number of cells."""
    scene = two_plates(0.0, 0.8, 0.1)
    fast = render_view(scene, rig, diffraction=False, quality="fast")
    exact = render_view(scene, rig, diffraction=False, quality=through(16))
    assert np.sqrt(np.mean(np.square(fast - exact))) < 2e-3


def test_aberrations_and_diffraction_stay_in_exact_pictures(rig: Rig) -> None:
    """Away from edges the exact picture is what the aberrated lens draws, vignetting and all."""
    lens = replace(rig.lens, spherical_um=0.3, vignetting_stops=1.0)
    scene = two_plates(0.3, 0.8, 0.1)
    fast = render_view(scene, replace(rig, lens=lens), quality="fast")
    exact = render_view(scene, replace(rig, lens=lens), quality=through(7))
    beside = np.s_[:, :30]
    np.testing.assert_allclose(exact[beside], fast[beside], atol=3e-3)
    assert fast[0, 0, 0] < 0.8 * fast[64, 10, 0]


def traced(rig: Rig, rows: slice, near_mm: float, far_mm: float, rays: int = 1500) -> np.ndarray:
    """Trace rays from even places in the pupil through the points in focus of 4 x 4 spots a pixel.

    They meet a bar of 0.9 at z = ``near_mm``, |x - 1.3| < 0.15 mm, a card of 0.5 at ``far_mm``,
    x < 1.5 mm, or nothing. Thin lens, curved field: nothing of the renderer's is used.
    """
    lens, sensor = rig.lens, rig.sensor
    distance = lens.focal_length_mm * (1 / lens.magnification + 1 / lens.pupil_ratio)
    number = np.arange(rays) + 0.5
    radius = lens.focal_length_mm / (2 * lens.f_number) * np.sqrt(number / rays)
    turn = number * np.pi * (3 - np.sqrt(5))
    spots = (np.arange(4) + 0.5) / 4
    pitch_mm = sensor.pitch_um * 1e-3 / lens.magnification
    x = ((np.arange(sensor.width_px)[:, None] + spots).ravel() - sensor.width_px / 2) * pitch_mm
    y = ((np.arange(rows.start, rows.stop)[:, None] + spots).ravel() - 64) * pitch_mm
    sag = lens.field_curvature_per_mm / 2 * (x**2 + y[:, None] ** 2)
    focused = distance + sag
    # The point in focus is where the ray from the middle of the pupil comes to its surface.
    point = x * focused / distance
    light = np.zeros(focused.shape)
    for eye in radius * np.cos(turn):
        bar, card = (eye + (point - eye) * (distance + z) / focused for z in (near_mm, far_mm))
        light += np.where(np.abs(bar - 1.3) < 0.15, 0.9, np.where(card < 1.5, 0.5, 0.0))
    return light.reshape(rows.stop - rows.start, 4, sensor.width_px, 4).mean(axis=(1, 3)) / rays


@pytest.mark.parametrize("curvature_per_mm", [0.0, 0.3, -0.3])
def test_cells_see_a_curved_field(rig: Rig, curvature_per_mm: float) -> None:
    """An edge far from the axis, blurred on both sides, against rays traced through the pupil."""
    lens = replace(rig.lens, field_curvature_per_mm=curvature_per_mm)
    card = Outline(kind="rectangle", size_mm=(4.0, 9.0))
    bar = Outline(kind="rectangle", size_mm=(0.3, 9.0))
    surfaces = (
        replace(plate("card", 0.9, 0.5, card), centre_mm=(-0.5, 0.0, 0.9)),
        replace(plate("bar", -0.4, 0.9, bar), centre_mm=(1.3, 0.0, -0.4)),
    )
    scene = replace(two_plates(0, 1, 0), surface=surfaces, backdrop=(0, 0, 0))
    curved, rows = replace(rig, lens=lens), slice(61, 67)
    picture = render_view(scene, curved, diffraction=False, quality=through(32))
    error = picture[rows, 120:180, 1] - traced(curved, rows, -0.4, 0.9)[:, 120:180]
    # Measured 4e-4 to 6e-4; 4e-3 where cells take the field for flat, 5e-3 to 7e-3 without cells.
    assert np.sqrt(np.mean(np.square(error))) < 1.2e-3


def test_what_gets_past_an_edge_is_no_product_of_means() -> None:
    """Two ramps blurred to opposite sides let more light past, to the same side less.

    Over the pupil u the far light is a + b u and the share past the edge c + d u with their signs:
    the mean of the product is a c + b d <u^2>.
    """
    window = Window(0, 40, 0, 64)
    ramp = np.linspace(0.2, 0.8, 64, dtype=np.float32)
    light = np.broadcast_to(ramp[None, :, None], (40, 64, 3))
    cover = np.broadcast_to(ramp[None, :, None], (40, 64, 3)).copy()
    got = {}
    for side in (1, -1):
        pile = Pile(window, (0.0, 0.0, 0.0))
        pile.lay(Blurred(window, light, None), np.full((1, 1), 6.0, np.float32))
        front = np.full((1, 1), 6.0 * side, np.float32)
        pile.lay(Blurred(window, np.zeros_like(cover), cover), front)
        got[side] = pile.light[20, 32, 0]
    product = ramp[32] * (1 - ramp[32])
    slope = float(ramp[1] - ramp[0])
    assert got[1] == pytest.approx(product - 36 * slope**2 / 3, rel=1e-3)
    assert got[-1] == pytest.approx(product + 36 * slope**2 / 3, rel=1e-3)
