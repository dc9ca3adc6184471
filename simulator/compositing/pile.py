"""Blurred layers laid over one another, from far to near."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..blur.defocus import SLOPE_REACH_PX, Blurred
from ..view.camera import Window

Floats = npt.NDArray[np.float32]

#: What is blurred less than this, px, is seen alike from all of the pupil.
_LEAST_BLUR_PX = 0.5
#: Coverages this near to none or all are flat.
_FLAT = 1e-3
#: Mean of the product of two slopes over the pupil, over the product of their changes across its
#: radius. It is 1/4 for even slopes, and 1/3 in the middle of a straight edge that is blurred.
_SHARED = np.float32(1 / 3)
#: Changes are taken over about this share of the blur radius to either side, and at most so far.
_STEP_PER_RADIUS, _MOST_LEVEL = 1 / 3, np.log2(SLOPE_REACH_PX)
#: How far from a pixel what is laid there depends on the layers, px.
PILE_REACH_PX = SLOPE_REACH_PX


class Pile:
    """A tile of a picture while its layers are laid.

    Parameters
    ----------
    window : Window
        The tile.
    backdrop : (red, green, blue)
        Radiance behind everything.
    """

    def __init__(self, window: Window, backdrop: tuple[float, float, float]) -> None:
        self.window = window
        # Channel by channel in memory, as layers are.
        self.light: Floats = np.moveaxis(np.empty((3, *window.shape), np.float32), 0, -1)
        self.light[:] = backdrop
        #: Signed blur radius of what is seen so far, px.
        self._blur_px: Floats = np.zeros(window.shape, np.float32)

    def lay(self, layer: Blurred, blur_px: Floats, *, size: float = 1.0) -> None:
        """Lay a layer over what is there.

        A point of the pupil that sees past the layer's edge also sees its own part of what is
        behind: where both are blurred the light that gets past is not the product of two means.
        Over the pupil both change nearly evenly, and what their means lack is the product of
        their slopes.

        Parameters
        ----------
        layer : Blurred
            Its window lies in the tile.
        blur_px : array (rows, cols) or (1, 1)
            Its signed blur radius on its window.
        size : float
            Radius of the pupil's part that is looked through, in pupil radii.
        """
        here = layer.window.slices_in(self.window)
        light, behind_px = self.light[here], self._blur_px[here]
        if layer.coverage is None:
            light[:] = layer.colour
            behind_px[:] = blur_px
            return
        cover = layer.coverage[..., 1]
        both = _blurred(blur_px) & _blurred(behind_px) & (cover > _FLAT) & (cover < 1 - _FLAT)
        past = light * (1 - layer.coverage)
        if both.any():
            near = _around(both)
            shared = _shared(
                light[near],
                cover[near],
                behind_px=size * behind_px[near],
                front_px=size * np.broadcast_to(blur_px, cover.shape)[near],
                where=both[near],
            )
            # No more can get past the layer than there is.
            most = np.maximum(light[near], past[near])
            changed = np.clip(past[near] + shared, np.minimum(past[near], 0), most)
            np.copyto(past[near], changed, where=both[near][..., None])
        np.add(past, layer.colour, out=light)
        behind_px += cover * (blur_px - behind_px)


def _shared(
    light: Floats,
    cover: Floats,
    *,
    behind_px: Floats,
    front_px: Floats,
    where: npt.NDArray[np.bool_],
) -> Floats:
    """Return how much the light past a layer's edge differs from the product of two means."""
    front, behind = _steps(front_px, where), _steps(behind_px, where)
    cover_down, cover_across = (_slope(cover, front, axis) for axis in (0, 1))
    scale = -_SHARED * front_px * behind_px
    shared = np.empty((light.shape[-1], *cover.shape), np.float32)
    for number, plane in enumerate(np.moveaxis(light, -1, 0)):
        slopes = cover_down * _slope(plane, behind, 0)
        slopes += cover_across * _slope(plane, behind, 1)
        np.multiply(scale, slopes, out=shared[number])
    return np.moveaxis(shared, 0, -1)


def _blurred(blur_px: Floats) -> npt.NDArray[np.bool_]:
    return np.asarray(np.abs(blur_px) > _LEAST_BLUR_PX)


def _around(marked: npt.NDArray[np.bool_]) -> tuple[slice, slice]:
    """Return the slices that hold all marks and all that their slopes depend on."""
    spans = []
    for axis in (1, 0):
        at = np.flatnonzero(marked.any(axis=axis))
        first = max(int(at[0]) - PILE_REACH_PX, 0)
        spans.append(slice(first, int(at[-1]) + 1 + PILE_REACH_PX))
    return spans[0], spans[1]


def _steps(
    blur_px: Floats, where: npt.NDArray[np.bool_]
) -> list[tuple[int, npt.NDArray[np.bool_]]]:
    """Return the steps that slopes are taken over, which go with the blur, and where each is."""
    level = np.log2(np.maximum(np.abs(blur_px) * np.float32(_STEP_PER_RADIUS), 1))
    level = np.minimum(np.rint(level), _MOST_LEVEL).astype(np.int8)
    return [(2 ** int(one), level == one) for one in np.unique(level[where])]


def _slope(values: Floats, steps: list[tuple[int, npt.NDArray[np.bool_]]], axis: int) -> Floats:
    """Return the change per pixel, taken over its own step where each is."""
    slope = _change(values, axis, steps[0][0])
    for step, here in steps[1:]:
        np.copyto(slope, _change(values, axis, step), where=here)
    return slope


def _change(values: Floats, axis: int, step: int) -> Floats:
    """Return the change per pixel, taken over ``step`` pixels to either side."""
    change = np.empty(values.shape, np.float32)
    v, c = np.moveaxis(values, axis, 0), np.moveaxis(change, axis, 0)
    np.subtract(v[2 * step :], v[: -2 * step], out=c[step:-step])
    c[step:-step] /= np.float32(2 * step)
    # Toward the ends it is taken over what there is.
    at, last = np.arange(len(v)), len(v) - 1
    at = at[(at < step) | (at > last - step)]
    after, before = np.minimum(at + step, last), np.maximum(at - step, 0)
    c[at] = (v[after] - v[before]) / np.maximum(after - before, 1).astype(np.float32)[:, None]
    return change
