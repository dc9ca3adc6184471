"""Where another camera has what one sees of the plane that the other is focused on."""

from __future__ import annotations

import numpy as np

from ...ground.types import Floats
from ...simulator.view.camera import Camera


def places_of_focus(camera: Camera, other: Camera) -> Floats:
    """Return where another camera has what each pixel would show if all lay in that one's focus.

    What is sharp in the other frame, or near it, moves so, with all that is mixed into its pixels:
    the nearest surface there, such as a hair out of focus, may lie at another depth.

    Parameters
    ----------
    camera : Camera
        Whose pixels they are.
    other : Camera
        Its plane of focus, at the middle of its field, is taken for flat.

    Returns
    -------
    array (rows, cols, 2) of float32
        Row and column in the other picture as array indices (the first pixel's centre is 0, 0);
        also beyond its edges.
    """
    frame, axis = camera.frame, other.rotation[:, 2]
    row, col = (np.asarray(at + 0.5, float) for at in np.indices(frame.shape))
    down, across = camera.rays_at(frame.row0 + row, frame.col0 + col)
    rays = np.stack([across, down, np.ones_like(down)], axis=-1) @ camera.rotation.T
    away = other.distance_mm - axis @ (camera.pupil_mm - other.pupil_mm)
    row, col, _ = other.project(camera.pupil_mm + (away / (rays @ axis))[..., None] * rays)
    places = np.stack([row - other.frame.row0, col - other.frame.col0], axis=-1) - 0.5
    return np.asarray(places, np.float32)
