"""How finely a view samples a texture: finely where it is in focus, coarsely elsewhere."""

import numpy as np
import pytest

from stacktruth.simulator import Pose, Rig, Scene
from stacktruth.simulator.scene.relief.plain import Slope
from stacktruth.simulator.scene.scene import Sheet
from stacktruth.simulator.scene.texture.target import Checker
from stacktruth.simulator.view.camera import Camera
from stacktruth.simulator.view.parts import parts_of
from stacktruth.simulator.view.view import Sampling


@pytest.fixture
def slope(rig: Rig) -> tuple:
    """Return a checker finer than a pixel on a slope through focus, and a camera before it."""
    texture = Checker(colours=((0.9, 0.9, 0.9), (0.1, 0.1, 0.1)), cell_mm=0.031, angle_deg=17)
    relief = Slope(slope_x=0.6, slope_y=0.1, reach_mm=6.0)
    sheet = Sheet(name="slope", centre_mm=(0.0, 0.0, 0.0), relief=relief, texture=texture)
    size = {"field_mm": (3.84, 2.56), "depth_mm": (-1.0, 1.0)}
    scene = Scene(name="made", surface=(sheet,), backdrop=(0, 0, 0), **size)
    return parts_of(scene)[0], Camera(rig, Pose(), crop=(96, 64))


def test_a_view_is_fine_where_it_is_in_focus_alone(slope) -> None:
    """Where the depth is in focus it is the view of many samples, elsewhere that of few."""
    part, camera = slope

    def in_focus(depth_mm):
        return np.abs(depth_mm - camera.distance_mm) < 0.2

    fine, coarse, both = (
        part.view(camera, camera.frame, sampling=sampling)
        for sampling in (Sampling(3, 3), Sampling(1, 1), Sampling(3, 1, in_focus))
    )
    focused = in_focus(both.depth_mm)
    assert 0.1 < focused.mean() < 0.9
    # The same points by the same sums, in other groups: apart by rounding.
    np.testing.assert_allclose(both.colour[focused], fine.colour[focused], atol=1e-6)
    np.testing.assert_allclose(both.colour[~focused], coarse.colour[~focused], atol=1e-6)
    assert np.abs(fine.colour - coarse.colour).max() > 0.05
