"""A fibre's segments are drawn in their order, however many at once."""

from __future__ import annotations

import numpy as np
import pytest

from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.compositing.render import present_parts
from stacktruth.simulator.view import fibre_view
from stacktruth.simulator.view.camera import Camera, Window
from stacktruth.simulator.view.fibre_view import FibrePart


@pytest.fixture(scope="module")
def bent() -> tuple[FibrePart, Camera]:
    """Give the most bent of the leaf's hairs: its segments' boxes overlap at the bends."""
    scene = load_scene("sticky-leaf")
    camera = Camera(load_rig(scene.rig), bin=4)
    hairs = [part for part in present_parts(scene, camera) if isinstance(part, FibrePart)]
    lines = [part.points_mm for part in hairs]
    chord = [np.linalg.norm(line[-1] - line[0]) for line in lines]
    length = [np.linalg.norm(np.diff(line, axis=0), axis=1).sum() for line in lines]
    return hairs[int(np.argmax(np.divide(length, chord)))], camera


@pytest.mark.parametrize("at_once", [1, 1000])
def test_how_many_segments_are_drawn_at_once_changes_no_pixel(bent, at_once, monkeypatch):
    """One by one and some together as all together: the same bytes."""
    hair, camera = bent
    row, col, _ = camera.project(hair.points_mm)
    edges = (row.min() - 9, row.max() + 9, col.min() - 9, col.max() + 9)
    window = Window(*(int(edge) for edge in edges))
    monkeypatch.setattr(fibre_view, "_PIXELS_AT_ONCE", 1 << 30)
    wanted = hair.view(camera, window)
    assert wanted.coverage is not None
    assert np.count_nonzero(wanted.coverage) > 100
    monkeypatch.setattr(fibre_view, "_PIXELS_AT_ONCE", at_once)
    got = hair.view(camera, window)
    for name in ("colour", "coverage", "depth_mm"):
        np.testing.assert_array_equal(getattr(got, name), getattr(wanted, name), err_msg=name)
