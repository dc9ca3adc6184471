"""A rim that clips the pupil off the axis: shapes of blurred points, and light lost."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import uniform_filter

from stacktruth.simulator import Rig, optics, render_view
from stacktruth.simulator.blur.pupil import ROUND, diaphragm
from stacktruth.simulator.compositing.zones import zones_in
from stacktruth.simulator.rig import Lens
from stacktruth.simulator.scene.scene import Outline
from stacktruth.simulator.view.camera import Camera

# A rim so far before the entrance pupil, in distances of the plane of focus, and its radius, mm.
BEFORE, RIM_MM = 0.75, 2.5


def with_lens(rig: Rig, **changes: object) -> Rig:
    """Return a rig with another lens."""
    return replace(rig, lens=replace(rig.lens, **changes))


def rimmed(rig: Rig, **changes: object) -> Rig:
    """Return the rig with that rim, seen on the pupil from a point in the plane of focus."""
    return with_lens(
        rig,
        cutoff_radius_mm=RIM_MM / (1 - BEFORE),
        cutoff_shift=BEFORE / (1 - BEFORE) / rig.lens.magnification,
        **changes,
    )


def traced(rig: Rig, crop: tuple[int, int, int, int], spot: tuple, rays: int = 1000) -> np.ndarray:
    """Trace rays through pupil, rim and plane of focus to a square spot of 90: nothing of ours.

    ``spot`` is its middle (x, y, z) and its side, mm. The light is a mean over the whole pupil.
    """
    lens, sensor = rig.lens, rig.sensor
    distance = lens.focal_length_mm * (1 / lens.magnification + 1 / lens.pupil_ratio)
    number = np.arange(rays) + 0.5
    radius = lens.focal_length_mm / (2 * lens.f_number) * np.sqrt(number / rays)
    turn = number * np.pi * (3 - np.sqrt(5))
    width, height, left, top = crop
    spots = (np.arange(3) + 0.5) / 3
    pitch_mm = sensor.pitch_um * 1e-3 / lens.magnification
    x = ((left + np.arange(width)[:, None] + spots).ravel() - sensor.width_px / 2) * pitch_mm
    y = ((top + np.arange(height)[:, None] + spots).ravel() - sensor.height_px / 2) * pitch_mm
    x_mm, y_mm, z_mm, side_mm = spot
    light = np.zeros((len(y), len(x)))
    for px, py in zip(radius * np.cos(turn), radius * np.sin(turn), strict=True):
        places = [(px + (x - px) * s, py + (y - py) * s) for s in (BEFORE, 1 + z_mm / distance)]
        (rim_x, rim_y), (at_x, at_y) = places
        through = np.hypot(rim_y[:, None], rim_x) < RIM_MM
        hit_y, hit_x = (np.abs(at - c) < side_mm / 2 for at, c in ((at_y, y_mm), (at_x, x_mm)))
        light += 90 * (through & hit_y[:, None] & hit_x)
    return light.reshape(height, 3, width, 3).mean(axis=(1, 3)) / rays


@pytest.mark.parametrize(("z_mm", "quality"), [(5.0, "fast"), (-4.0, "fast"), (5.0, "exact")])
def test_a_point_far_out_of_focus_is_a_cats_eye(rig, sheet, scene, z_mm, quality):
    """Against rays traced through a rim before the lens, in a corner, on both sides of focus."""
    crop = (64, 64, 128, 64)
    # Where it is seen about the middle of the crop.
    x_mm, y_mm = (c * 0.02 * (1 + z_mm / 100) for c in (52.0, 26.0))
    spot = Outline(kind="rectangle", size_mm=(0.04, 0.04))
    made = scene(sheet(outline=spot, centre_mm=(x_mm, y_mm, z_mm), colour=(90.0,) * 3))
    expected = traced(rig, crop, (x_mm, y_mm, z_mm, 0.04))
    cut, whole = (
        render_view(made, one, crop=crop, diffraction=False, quality=quality)[..., 1]
        for one in (rimmed(rig), rig)
    )
    # Few rays are noisy: compare means over 5 x 5 pixels.
    wrong, without = (
        np.sqrt(np.mean(uniform_filter(one - expected, 5) ** 2)) for one in (cut, whole)
    )
    assert wrong < 0.03 * expected.max()
    assert without > 3 * wrong
    assert cut.sum() == pytest.approx(expected.sum(), rel=0.02)


def test_corners_darken_by_the_area_cut_off(rig, sheet, scene):
    """Of two discs of radius 1, d apart, (2 acos(d/2) - d sqrt(1 - d^2/4)) / pi is common."""
    pupil_mm = optics.entrance_pupil_radius_mm(rig)
    made = scene(sheet(colour=(1, 1, 1)))
    lens = with_lens(rig, cutoff_radius_mm=pupil_mm, cutoff_shift=0.25 * pupil_mm)
    crop = (100, 70, 0, 0)
    picture = render_view(made, lens, crop=crop, diffraction=False, quality="fast")[..., 1]
    down, across = np.arange(70) + 0.5 - 64, np.arange(100) + 0.5 - 96
    apart = 0.25 * 0.02 * np.hypot(down[:, None], across)
    common = (2 * np.arccos(apart / 2) - apart * np.sqrt(1 - apart**2 / 4)) / np.pi
    # It is mixed linearly over 25 pixels, 0.125 radii; next to the axis it falls as a cone.
    far = apart > 0.3
    np.testing.assert_allclose(picture[far], common[far], atol=5e-3)
    np.testing.assert_allclose(picture, common, atol=0.03)
    assert picture.min() < 0.7


def test_zones_share_out_a_picture(rig):
    """Shares make up 1; beside the axis nothing is cut, and a wide rim cuts nothing anywhere."""
    camera = Camera(rimmed(rig)).centred()
    total, pupils = np.zeros(camera.frame.shape), set()
    for zone in zones_in(camera, camera.frame):
        total[zone.window.slices_in(camera.frame)] += zone.weight
        pupils.add(zone.pupil)
    np.testing.assert_allclose(total, 1, atol=1e-6)
    assert ROUND in pupils
    assert len(pupils) > 8
    wide = Camera(with_lens(rig, cutoff_radius_mm=50.0, cutoff_shift=2.0)).centred()
    (only,) = zones_in(wide, wide.frame)
    assert only.pupil == ROUND


def test_a_rim_that_cuts_nothing_changes_nothing(rig, sheet, scene):
    """The picture is the same to the last bit."""
    made = scene(
        sheet(centre_mm=(0.0, 0.0, 0.4), outline=Outline(kind="ellipse", size_mm=(1.0, 1.0)))
    )
    plain, wide = (
        render_view(made, one)
        for one in (rig, with_lens(rig, cutoff_radius_mm=50.0, cutoff_shift=2.0))
    )
    assert plain.tobytes() == wide.tobytes()


def test_a_rim_in_the_diaphragm_cuts_the_same_all_over(rig, sheet, scene):
    """Wide open, blades lie behind a round rim: corners go, and their light."""
    pupil_mm = optics.entrance_pupil_radius_mm(rig)
    lens = with_lens(rig, blades=5, cutoff_radius_mm=pupil_mm)
    picture = render_view(scene(sheet(colour=(1, 1, 1))), lens, crop=(48, 32))[..., 1]
    points = np.random.default_rng(0).uniform(-1, 1, (2, 200_000))
    inside = diaphragm(5).holds(*points) & (np.hypot(*points) < 1)
    # Three standard deviations of so many points are 0.004.
    np.testing.assert_allclose(picture, inside.mean() * 4 / np.pi, atol=5e-3)


def test_a_shift_needs_a_rim():
    """An error says so."""
    good = {"focal_length_mm": 60, "f_number": 5.6, "magnification": 1}
    with pytest.raises(ValueError, match="cutoff_shift: got 2 without a cutoff_radius_mm"):
        Lens(**good, cutoff_shift=2.0)
    with pytest.raises(ValueError, match="cutoff_radius_mm"):
        Lens(**good, cutoff_radius_mm=-1.0)
