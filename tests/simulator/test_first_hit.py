"""Rays on steep reliefs, against the closed form of a ray on a paraboloid."""

import numpy as np
import pytest

from stacktruth.simulator import Pose, load_rig
from stacktruth.simulator.scene.relief.plain import Dome, Rough, Slope
from stacktruth.simulator.scene.scene import Scene, Sheet
from stacktruth.simulator.scene.texture.plain import Flat
from stacktruth.simulator.view.camera import Camera
from stacktruth.simulator.view.first_hit import find, is_gentle, march, settle, turned
from stacktruth.simulator.view.parts import parts_of
from stacktruth.simulator.view.sheet_view import SheetPart

RIG = load_rig("test-rig")
HEIGHT, RADII = 1.3, (0.8, 0.65)
OBLIQUE = Pose(x_mm=-46, y_mm=-12, z_mm=11.2, pitch_mrad=-120, yaw_mrad=480, roll_mrad=60)


def part(relief, **more) -> SheetPart:
    """Return a sheet with this relief, ready to be seen."""
    sheet = Sheet(name="sheet", texture=Flat(colour="#808080"), relief=relief, **more)
    scene = Scene(name="test", field_mm=(4, 3), depth_mm=(-2, 1), surface=(sheet,))
    return parts_of(scene)[0]


def dome_depth(camera, down, across):
    """Return where rays first meet the dome or the ground around it, from the quadratic."""
    d = np.stack([axis.astype(np.float64) for axis in turned(camera, down, across)])
    p = camera.pupil_mm[:, None]
    scale = np.array(RADII)[:, None]
    # z = -height (1 - (x/a)^2 - (y/b)^2) on a ray p + t d.
    a = HEIGHT * ((d[:2] / scale) ** 2).sum(axis=0)
    b = HEIGHT * 2 * (p[:2] * d[:2] / scale**2).sum(axis=0) - d[2]
    c = HEIGHT * (((p[:2] / scale) ** 2).sum(axis=0) - 1) - p[2]
    root = b * b - 4 * a * c
    first = (-b - np.sqrt(np.maximum(root, 0))) / (2 * a)
    ground = -p[2] / d[2]
    on_dome = (root > 0) & (p[2] + first * d[2] <= 0)
    return np.where(on_dome, np.minimum(first, ground), ground)


def test_an_oblique_view_of_a_steep_dome_is_not_gentle():
    """The crest hides the far flank there, but not for a camera far above."""
    dome = part(Dome(height_mm=HEIGHT, radius_mm=RADII))
    oblique, above = Camera(RIG, OBLIQUE), Camera(RIG)
    assert not is_gentle(dome, oblique, oblique.frame)
    assert is_gentle(dome, above, above.frame)


def test_rays_stop_at_the_crest():
    """First hits agree with the closed form, hidden flank and all."""
    dome = part(Dome(height_mm=HEIGHT, radius_mm=RADII))
    camera = Camera(RIG, OBLIQUE)
    down, across = np.broadcast_arrays(*camera.ray_axes(camera.frame))
    exact = dome_depth(camera, down.ravel(), across.ravel()).reshape(down.shape)
    depth, z = find(dome, camera, camera.frame)
    error = np.abs(depth - exact)
    # A ray that grazes the crest may pass it by the hundredth of a pixel that it stops short.
    grazing = error > 0.002
    assert grazing.mean() < 0.001
    # A pixel is 0.02 mm; single precision of a depth of 100 mm is 0.00001 mm.
    assert error[~grazing].max() < 0.002
    np.testing.assert_allclose(z, dome.z_mm(*hits(camera, depth)), atol=0.002)


def hits(camera, depth):
    """Return object x and y of points at camera depths."""
    dx, dy, _ = camera.directions(camera.frame)
    return camera.pupil_mm[0] + dx * depth, camera.pupil_mm[1] + dy * depth


def test_marching_from_anywhere_gives_the_same():
    """A start above or below the surface changes nothing."""
    dome = part(Dome(height_mm=HEIGHT, radius_mm=RADII))
    camera = Camera(RIG, OBLIQUE)
    down, across = (a.ravel() for a in np.broadcast_arrays(*camera.ray_axes(camera.frame)))
    plain = march(dome, camera, down, across)
    for offset in (-0.3, 0.5):
        other = march(dome, camera, down, across, start=plain + np.float32(offset))
        far = np.abs(other - plain) > 0.002
        # Starting 0.5 mm beyond the surface is safe where that is below it; where the dome is
        # thinner than that the ray starts on its far side.
        assert far.mean() < (0.001 if offset < 0 else 0.2)


@pytest.mark.parametrize("pose", [Pose(), Pose(yaw_mrad=200, x_mm=-20, roll_mrad=90)])
def test_gentle_surfaces_are_met_alike_by_both_ways(pose):
    """Where each ray meets the surface once, settling and marching agree."""
    rough = part(Rough(amplitude_mm=0.1, cell_mm=1.0), rotate_deg=30)
    camera = Camera(RIG, pose)
    assert is_gentle(rough, camera, camera.frame)
    settled, _ = settle(rough, camera, camera.frame)
    found, _ = find(rough, camera, camera.frame)
    np.testing.assert_allclose(settled, found, atol=0.002)


def test_a_tilted_plane_is_met_exactly():
    """On z = -s x the depth is -pz / (dz + s dx) for a pupil on the axis."""
    plane = part(Slope(slope_x=0.5))
    camera = Camera(RIG)
    depth, _ = settle(plane, camera, camera.frame)
    dx, _, _ = camera.directions(camera.frame)
    exact = -camera.pupil_mm[2] / (1 + 0.5 * dx.astype(np.float64))
    np.testing.assert_allclose(depth, np.broadcast_to(exact, depth.shape), rtol=2e-7)
