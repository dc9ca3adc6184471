"""Where the points of one view appear in another: the true motion field."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from simulator.camera import Camera
from simulator.focusing import seen_by
from simulator.render import SOLID, camera_depth, tiles_of, views_in
from simulator.scene import Scene

Floats = npt.NDArray[np.float32]

#: A point is hidden in the other view where something is nearer there by more than this share of
#: its depth: far above the rounding of a depth map, far below the thickness of a hair's shadow.
_HIDDEN_SHARE = 2e-4


def places_in(scene: Scene, camera: Camera, other: Camera) -> Floats:
    """Return where another camera sees what each pixel of a camera shows.

    Parameters
    ----------
    scene : Scene
    camera, other : Camera
        Each with its own pose, focus and subject pose.

    Returns
    -------
    array (rows, cols, 2) of float32
        Row and column in the other picture as array indices (the first pixel's centre is 0, 0);
        NaN where nothing is hit, where the point is outside the other picture, or hidden there.
    """
    places = np.full((*camera.frame.shape, 2), np.nan, np.float32)
    depth = np.full(camera.frame.shape, np.nan, np.float32)
    for tile in tiles_of(camera.frame):
        for part, view in views_in(scene, camera, tile):
            eye = camera.facing(part.name, living=part.living)
            facing = other.facing(part.name, living=part.living)
            solid = np.ones(view.window.shape, bool)
            if view.coverage is not None:
                solid = view.coverage >= SOLID
            area = view.window.slices_in(camera.frame)
            row, col, far = seen_by(facing, eye, view.window, view.depth_mm)
            for into, values in ((places[..., 0], row), (places[..., 1], col), (depth, far)):
                np.copyto(into[area], np.broadcast_to(values, solid.shape), where=solid)
    places -= 0.5
    places[_unseen(scene, other, places, depth)] = np.nan
    return places


def _unseen(scene: Scene, other: Camera, places: Floats, depth: Floats) -> npt.NDArray[np.bool_]:
    rows, cols = other.frame.shape
    row, col = places[..., 0], places[..., 1]
    with np.errstate(invalid="ignore"):
        inside = (row >= 0) & (row <= rows - 1) & (col >= 0) & (col <= cols - 1)
    # The farthest of the four neighbours: a point beside an edge is not called hidden by it.
    nearest = ndimage.maximum_filter(np.nan_to_num(camera_depth(scene, other), nan=1e6), 2)
    at = (
        np.where(inside, np.ceil(row), 0).astype(int),
        np.where(inside, np.ceil(col), 0).astype(int),
    )
    with np.errstate(invalid="ignore"):
        hidden = nearest[at] < depth * (1 - _HIDDEN_SHARE)
    return ~inside | hidden
