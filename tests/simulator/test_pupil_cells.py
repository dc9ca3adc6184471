"""Tests of the pupil's cells and of the pictures made through them."""

from dataclasses import replace

import numpy as np
import pytest

from simulator import Rig, Scene, render_view
from simulator.camera import Window
from simulator.defocus import Blurred
from simulator.pile import Pile
from simulator.plain_textures import Flat
from simulator.pupil_cells import cut_pupil
from simulator.scene import Outline, Sheet


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
    picture = render_view(scene, rig, exact=True, cells=7, diffraction=diffraction)
    np.testing.assert_allclose(picture, 0.5, atol=2e-3)


def test_cells_change_nothing_where_one_side_is_sharp(rig: Rig) -> None:
    """A sharp bar before a blurred wall is laid right in any number of cells."""
    scene = two_plates(0.0, 0.8, 0.1)
    fast = render_view(scene, rig, diffraction=False)
    exact = render_view(scene, rig, diffraction=False, exact=True, cells=16)
    assert np.sqrt(np.mean(np.square(fast - exact))) < 2e-3


def test_aberrations_and_diffraction_stay_in_exact_pictures(rig: Rig) -> None:
    """Away from edges the exact picture is what the aberrated lens draws, vignetting and all."""
    lens = replace(rig.lens, spherical_um=0.3, vignetting_stops=1.0)
    scene = two_plates(0.3, 0.8, 0.1)
    fast = render_view(scene, replace(rig, lens=lens))
    exact = render_view(scene, replace(rig, lens=lens), exact=True, cells=7)
    beside = np.s_[:, :30]
    np.testing.assert_allclose(exact[beside], fast[beside], atol=3e-3)
    assert fast[0, 0, 0] < 0.8 * fast[64, 10, 0]


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
