"""Where, and how sharp, the points of one view appear in another: the true motion field."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from ...ground.types import Bools, Doubles, Floats, Indices
from ..blur.basis import optics_of
from ..blur.focusing import blur_and_beyond_px, seen_by
from ..compositing.render import SOLID, camera_depth, present_parts, tiles_of, views_in
from ..pose import Pose
from ..scene.scene import Scene
from ..view.camera import Camera

#: A point is hidden in the other view where something is nearer there by more than this share of
#: its depth: far above the rounding of a depth map, far below the thickness of a hair's shadow.
_HIDDEN_SHARE = 2e-4


@dataclass(frozen=True, eq=False)
class Nearest:
    """What a camera sees at each pixel's centre.

    Parameters
    ----------
    scene : Scene
    camera : Camera
    depth_mm : array (rows, cols) of float32
        Camera depth Z of the nearest surface; NaN where nothing is hit.
    part : array (rows, cols) of int32
        Which of the scene's present parts it is; -1 where nothing is hit.
    """

    scene: Scene
    camera: Camera
    depth_mm: Floats
    part: npt.NDArray[np.int32]


def nearest(scene: Scene, camera: Camera) -> Nearest:
    """Return what a camera sees at each pixel's centre."""
    depth = np.full(camera.frame.shape, np.nan, np.float32)
    owner = np.full(camera.frame.shape, -1, np.int32)
    number = {id(part): index for index, part in enumerate(present_parts(scene, camera))}
    for tile in tiles_of(camera.frame):
        for part, view in views_in(scene, camera, tile):
            area = view.window.slices_in(camera.frame)
            z = np.broadcast_to(view.depth_mm, view.window.shape)
            solid = True if view.coverage is None else view.coverage >= SOLID
            np.copyto(depth[area], z, where=solid)
            np.copyto(owner[area], number[id(part)], where=solid)
    return Nearest(scene, camera, depth, owner)


def places_in(
    seen: Nearest, other: Camera, *, all_hides: bool = True, front: Floats | None = None
) -> Floats:
    """Return where another camera sees what each pixel of a camera shows.

    Parameters
    ----------
    seen : Nearest
        What the first camera sees; the same for any other camera.
    other : Camera
        With its own pose, focus and subject pose.
    all_hides : bool
        Whether a point counts as hidden by whatever the other camera sees; else by what the first
        one sees alone, which needs nothing rendered and misses what only the other sees.
    front : array (rows, cols) or None
        Camera depth of what the other camera sees, mm, as `Nearest` has it; None: it is found.

    Returns
    -------
    array (rows, cols, 2) of float32
        Row and column in the other picture as array indices (the first pixel's centre is 0, 0);
        NaN where nothing is hit, where the point is outside the other picture (beyond the outer
        edges of its pixels), or hidden there.
    """
    frame = seen.camera.frame
    places = np.full((*frame.shape, 2), np.nan, np.float32)
    depth = np.full(frame.shape, np.nan, np.float32)
    for eye, facing, numbers in _moving_alike(seen, other):
        for tile in tiles_of(frame):
            area = tile.slices_in(frame)
            here = np.isin(seen.part[area], numbers)
            if not here.any():
                continue
            row, col, far = seen_by(facing, eye, tile, seen.depth_mm[area])
            for into, values in ((places[..., 0], row), (places[..., 1], col), (depth, far)):
                np.copyto(into[area], values, where=here)
    places -= 0.5
    if not all_hides:
        front = _front(other, places, depth)
    elif front is None:
        front = camera_depth(seen.scene, other)
    places[_unseen(other, places, depth, front)] = np.nan
    return places


def points_in(seen: Nearest, other: Camera, rows: Indices, cols: Indices) -> Doubles:
    """Return where another camera has what single pixels of a camera show, hidden there or not.

    Parameters
    ----------
    seen : Nearest
    other : Camera
    rows, cols : array (n,) of int
        Array indices of the pixels.

    Returns
    -------
    array (n, 2)
        Row and column as array indices, as `places_in` has them; NaN where nothing is hit, or where
        the point is outside the other picture.
    """
    places = np.full((rows.size, 2), np.nan)
    depth, part = seen.depth_mm[rows, cols].astype(float), seen.part[rows, cols]
    for eye, facing, numbers in _moving_alike(seen, other):
        here = np.isin(part, numbers)
        frame = seen.camera.frame
        at = [np.asarray(one[here], float) + 0.5 for one in (frame.row0 + rows, frame.col0 + cols)]
        down, across = eye.rays_at(*at)
        rays = np.stack([across, down, np.ones_like(down)], axis=1)
        row, col, _ = facing.project(eye.pupil_mm + depth[here, None] * (rays @ eye.rotation.T))
        places[here] = np.stack([row, col], axis=1) - 0.5
    places[~_within(other, places[:, 0], places[:, 1])] = np.nan
    return places


def blur_diameter_px(seen: Nearest, other: Camera, *, diffraction: bool = True) -> Floats:
    """Return the diameter of the geometric blur that a camera gives each point of a view.

    Parameters
    ----------
    seen : Nearest
    other : Camera
    diffraction : bool
        As the pictures are rendered; it does not count in the diameter.

    Returns
    -------
    array (rows, cols) of float32
        Pixels, >= 0; NaN where nothing is hit or the point is outside the other picture.
    """
    frame = seen.camera.frame
    key = optics_of(other.lens_rig, pitch_um=other.pitch_um, diffraction=diffraction)
    diameter = np.full(frame.shape, np.nan, np.float32)
    for eye, facing, numbers in _moving_alike(seen, other):
        for tile in tiles_of(frame):
            area = tile.slices_in(frame)
            radius, beyond = blur_and_beyond_px(eye, facing, key, tile, seen.depth_mm[area])
            shown = np.isin(seen.part[area], numbers) & (beyond <= 0)
            np.copyto(diameter[area], 2 * np.abs(radius), where=shown)
    return diameter


@dataclass(frozen=True, kw_only=True)
class MotionSummary:
    """A motion field in short: the similarity nearest to it, and what that leaves.

    Parameters
    ----------
    shown_share : float
        Share of the first view's points that the other shows.
    right_px, down_px : float
        Where the middle of the first view appears in the other, from the middle there.
    scale : float
        Magnification of the other over the first.
    turn_mrad : float
        Clockwise as seen in the picture.
    parallax_px : float
        Rms distance that the similarity leaves.
    """

    shown_share: float
    right_px: float
    down_px: float
    scale: float
    turn_mrad: float
    parallax_px: float


def motion_summary(seen: Nearest, other: Camera, *, pixel: float = 1.0) -> MotionSummary:
    """Return the similarity that fits a motion field best, in the sense of least squares.

    Parameters
    ----------
    seen : Nearest
    other : Camera
    pixel : float
        How many of the pixels to count in make one of the views'.

    Returns
    -------
    MotionSummary
        All NaN but the share where fewer than two points are shown.
    """
    places = places_in(seen, other)
    shown = np.isfinite(places[..., 0])
    known = np.isfinite(seen.depth_mm)
    share = float(shown.sum() / max(known.sum(), 1))
    if shown.sum() < 2:
        nan = float("nan")
        return MotionSummary(
            shown_share=share, right_px=nan, down_px=nan, scale=nan, turn_mrad=nan, parallax_px=nan
        )
    here = _from_middle(seen.camera, np.argwhere(shown))
    there = _from_middle(other, places[shown])
    # As complex numbers x + iy a similarity is one factor and one shift.
    matrix = np.stack([here, np.ones_like(here)], axis=1)
    (factor, shift), *_ = np.linalg.lstsq(matrix, there, rcond=None)
    left = np.abs(there - matrix @ np.array([factor, shift]))
    return MotionSummary(
        shown_share=share,
        right_px=float(shift.real) * pixel,
        down_px=float(shift.imag) * pixel,
        scale=float(abs(factor)),
        turn_mrad=float(1e3 * np.angle(factor)),
        parallax_px=float(np.sqrt(np.mean(left**2))) * pixel,
    )


def _from_middle(camera: Camera, places: npt.NDArray[Any]) -> npt.NDArray[np.complex128]:
    """Return (row, column) indices as x + iy from the middle of the picture."""
    row_mid, col_mid = camera.middle_px
    down = places[:, 0].astype(np.float64) + 0.5 - row_mid
    return places[:, 1] + 0.5 - col_mid + 1j * down


def _moving_alike(seen: Nearest, other: Camera) -> list[tuple[Camera, Camera, list[int]]]:
    """Group the parts that moved alike: both cameras as they stand to a group, and its parts."""
    groups: dict[tuple[Pose, Pose], tuple[Camera, Camera, list[int]]] = {}
    for number, part in enumerate(present_parts(seen.scene, seen.camera)):
        eye = seen.camera.facing(part.name, living=part.living)
        facing = other.facing(part.name, living=part.living)
        group = groups.setdefault((eye.pose, facing.pose), (eye, facing, []))
        group[2].append(number)
    return list(groups.values())


def _within(camera: Camera, row: npt.NDArray[Any], col: npt.NDArray[Any]) -> Bools:
    """Tell which places, as array indices, lie within the outer edges of a camera's pixels."""
    rows, cols = camera.frame.shape
    with np.errstate(invalid="ignore"):
        return (row >= -0.5) & (row <= rows - 0.5) & (col >= -0.5) & (col <= cols - 0.5)


def _front(other: Camera, places: Floats, depth: Floats) -> Floats:
    """Return the camera depth of the nearest of some points at each pixel; NaN where none is."""
    front = np.full(other.frame.shape, np.inf, np.float32)
    here = _within(other, places[..., 0], places[..., 1])
    last = np.array(front.shape) - 1
    row, col = np.clip(np.rint(places[here]).astype(int), 0, last).T
    np.minimum.at(front, (row, col), depth[here])
    front[np.isinf(front)] = np.nan
    return front


def _unseen(other: Camera, places: Floats, depth: Floats, front: Floats) -> Bools:
    rows, cols = other.frame.shape
    row, col = places[..., 0], places[..., 1]
    inside = _within(other, row, col)
    # The farthest of the four neighbours: a point beside an edge is not called hidden by it.
    nearest = ndimage.maximum_filter(np.nan_to_num(front, nan=1e6), 2)
    at = (
        np.clip(np.where(inside, np.ceil(row), 0), 0, rows - 1).astype(int),
        np.clip(np.where(inside, np.ceil(col), 0), 0, cols - 1).astype(int),
    )
    with np.errstate(invalid="ignore"):
        hidden = nearest[at] < depth * (1 - _HIDDEN_SHARE)
    return ~inside | hidden
