"""How far out of focus the points of a view are, for one camera or the best of several."""

from __future__ import annotations

import numpy as np

from ...ground.arrays import namespace, sent, single
from ...ground.types import Doubles, Floats, Reals
from .. import optics
from ..view.camera import Camera, Window
from .basis import Blur

#: A point beside a view may lie this much farther beside another one: px, and share.
_EDGE_PX, _EDGE_SHARE = 1.0, 0.02


def blur_radius_px(
    camera: Camera, focus: tuple[Camera, ...], key: Blur, window: Window, depth_mm: Floats
) -> Floats:
    """Return the least blur radius that any camera gives each sample of a view, picture pixels.

    Parameters
    ----------
    camera : Camera
        The one whose view it is.
    focus : tuple of Camera
        The cameras whose focus counts; none leaves everything in focus.
    key : Optics
    window : Window
        Of the view.
    depth_mm : array (rows, cols) or (1, 1)
        Camera depth of the view.

    Returns
    -------
    array of float32, (rows, cols) or (1, 1); where no camera had the point in its frame, the
    blur that the view's own camera gives it
    """
    xp = namespace(depth_mm)
    if not focus:
        return xp.zeros((1, 1), dtype=xp.float32)  # type: ignore[no-any-return]
    least = frame_blur_px(camera, focus[0], key, window, depth_mm)
    for other in focus[1:]:
        size = frame_blur_px(camera, other, key, window, depth_mm)
        least = xp.where(xp.abs(size) < xp.abs(least), size, least)
    if xp.all(xp.isfinite(least)):
        return least
    own = frame_blur_px(camera, camera, key, window, depth_mm)
    return xp.where(xp.isfinite(least), least, own)  # type: ignore[no-any-return]


def frame_blur_px(
    camera: Camera, other: Camera, key: Blur, window: Window, depth_mm: Floats
) -> Floats:
    """Return the blur radius that one camera gives the points of another's view, px.

    It is signed, + behind the plane of focus, where the lens blurs the two sides differently;
    else it is >= 0. It is inf where the point is outside the other camera's frame; beside the
    view, where it is farther outside than here.
    """
    if is_same_view(camera, other):
        radius = own_blur_px(camera, key, window, depth_mm)
        return namespace(radius).abs(radius) if key.even else radius
    xp = namespace(depth_mm)
    radius, beyond = blur_and_beyond_px(camera, other, key, window, depth_mm)
    # A point beside the view is taken for seen where the one at the view's edge is: its light
    # comes over that edge in the other picture as well.
    beside = _beyond(camera, *(sent(axis, xp) for axis in _places(window)))
    allowed = xp.where(beside > 0, (1 + _EDGE_SHARE) * beside + _EDGE_PX, 0.0)
    own = xp.abs(radius) if key.even else radius
    return xp.where(beyond > allowed, xp.inf, own)  # type: ignore[no-any-return]


def is_same_view(camera: Camera, other: Camera) -> bool:
    """Say whether two cameras see the same from the same place."""
    if other is camera:
        return True
    return other.pose == camera.pose and other.focus_mm == camera.focus_mm


def blur_and_beyond_px(
    camera: Camera, other: Camera, key: Blur, window: Window, depth_mm: Floats
) -> tuple[Floats, Floats]:
    """Return another camera's blur radius of a view's points, and how far outside they are there.

    Returns
    -------
    radius_px : array of float32
        Signed: + behind the plane of focus. Where the frame does not reach it is what a larger
        frame would have shown.
    beyond_px : array of float32
        Distance outside the other camera's frame; 0 or less within it.
    """
    row, col, depth = seen_by(other, camera, window, depth_mm)
    row_mid, col_mid = other.middle_px
    down, across = (row - row_mid) / other.focal_px, (col - col_mid) / other.focal_px
    offset = depth - other.focused_mm(down, across)
    radius = single(key.radius_px_per_defocus_mm) * defocus_mm(other, offset)
    return radius, _beyond(other, row, col)


def own_blur_px(camera: Camera, key: Blur, window: Window, depth_mm: Floats) -> Floats:
    """Return the blur radius of a camera's own view, px, always signed: + behind the focus."""
    offset = depth_mm - camera.focused_mm(*camera.field_axes(window))
    return single(key.radius_px_per_defocus_mm) * defocus_mm(camera, offset)


def _places(window: Window) -> tuple[Floats, Floats]:
    """Return the rows and columns of a window's sample centres, pixel coordinates."""
    rows, cols = window.shape
    row = window.row0 + (np.arange(rows, dtype=np.float32) + np.float32(0.5)) * window.scale
    col = window.col0 + (np.arange(cols, dtype=np.float32) + np.float32(0.5)) * window.scale
    return row[:, None], col[None, :]


def _beyond(camera: Camera, row: Floats, col: Floats) -> Floats:
    """Return how far outside a camera's frame places are, px; 0 or less within it."""
    xp, frame = namespace(row), camera.frame
    down = xp.maximum(frame.row0 - row, row - frame.row1)
    across = xp.maximum(frame.col0 - col, col - frame.col1)
    return xp.maximum(down, across)  # type: ignore[no-any-return]


def defocus_mm(camera: Camera, offset_mm: Reals) -> Reals:
    """Return the edge wavefront defocus of points beyond the plane of focus, mm, signed."""
    per_mm = float(np.float32(optics.rig_aperture(camera.lens_rig)) ** 2 / 2)
    return per_mm * offset_mm / (1 + offset_mm / single(camera.distance_mm))


def radius_range_px(
    camera: Camera, focus: tuple[Camera, ...], key: Blur, nearest_mm: Doubles, farthest_mm: Doubles
) -> tuple[Doubles, Doubles]:
    """Return bounds of the blur radius of anything between two camera depths, px.

    The depths are arrays of one shape, and so are the bounds.
    """
    if not focus:
        return np.zeros_like(nearest_mm), np.zeros_like(nearest_mm)
    lows, highs = [], []
    # A point outside the frames of all others has the blur that the view's own camera gives it.
    for other in (camera, *(other for other in focus if other is not camera)):
        near, far = _offset_range(camera, other, nearest_mm, farthest_mm)
        ends = [key.radius_px_per_defocus_mm * abs(defocus_mm(other, one)) for one in (near, far)]
        lows.append(np.where((near <= 0) & (far >= 0), 0.0, np.minimum(*ends)))
        highs.append(np.maximum(*ends))
    return np.min(lows, axis=0), highs[0] if camera in focus else np.max(highs, axis=0)


def _offset_range(
    camera: Camera, other: Camera, nearest_mm: Doubles, farthest_mm: Doubles
) -> tuple[Doubles, Doubles]:
    """Return bounds of how far points between two depths lie beyond a camera's plane of focus."""
    axis, own = other.rotation[:, 2], camera.rotation[:, 2]
    start = float(own @ camera.pupil_mm - axis @ other.pupil_mm) - other.distance_mm
    corner = np.hypot(*camera.uncut.shape) * farthest_mm / camera.focal_px
    slack = float(np.linalg.norm(own - axis)) * corner
    sag = other.lens_rig.lens.field_curvature_per_mm / 2 * corner**2
    return (
        start + nearest_mm - slack - np.maximum(sag, 0.0),
        start + farthest_mm + slack - np.minimum(sag, 0.0),
    )


def seen_by(
    other: Camera, camera: Camera, window: Window, depth_mm: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return row, column (pixel coordinates) and depth in another camera of a view's points."""
    turn = other.rotation.T.astype(np.float32).tolist()
    start = (other.rotation.T @ (camera.pupil_mm - other.pupil_mm)).astype(np.float32).tolist()
    directions = camera.directions(window)
    x, y, z = (
        start[i] + depth_mm * sum(turn[i][j] * directions[j] for j in range(3)) for i in range(3)
    )
    row_mid, col_mid = (single(middle) for middle in other.middle_px)
    focal = single(other.focal_px)
    return focal * y / z + row_mid, focal * x / z + col_mid, z
