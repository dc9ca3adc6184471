"""Blurred layers laid over one another, from far to near."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ...ground.types import Floats
from ..blur.defocus import SLOPE_REACH_PX, Blurred
from ..view.camera import Window

#: What is blurred less than this, px, is seen alike from all of the pupil.
_LEAST_BLUR_PX = 0.5
#: Mean of the product of two slopes over the pupil, over the product of their changes across its
#: radius. It is 1/4 for even slopes, and 1/3 in the middle of a straight edge that is blurred.
_SHARED = np.float32(1 / 3)
#: Changes are taken over about this share of the blur radius to either side.
_STEP_PER_RADIUS = 1 / 3
#: Share of its change across the pupil that is in doubt where a layer rises as steeply as it blurs.
_PER_RISE = 0.1
#: Slopes of what is blurred unevenly are taken over so much to either side, px.
_UNEVEN_STEP_PX = 1
#: At most so far from a pixel what is laid there depends on the layers, px.
PILE_REACH_PX = SLOPE_REACH_PX


class Pile:
    """A tile of a picture while its layers are laid.

    A pixel's light is a mean over the pupil. Beside it the pile keeps how that light changes
    across the pupil: a point of the pupil sees each layer shifted by its blur, so a layer's own
    change is its slope times its blur radius, whatever stands before or behind it.

    Parameters
    ----------
    window : Window
        The tile.
    backdrop : (red, green, blue)
        Radiance behind everything.
    reach_px : int
        How far from a pixel changes are taken, a power of two.
    doubts : bool
        Whether to keep ``doubt``: how much light may be laid wrong at each pixel.
    """

    def __init__(
        self,
        window: Window,
        backdrop: tuple[float, float, float],
        *,
        reach_px: int = PILE_REACH_PX,
        doubts: bool = False,
    ) -> None:
        self.window = window
        self.reach_px = reach_px
        self._most_level = float(np.log2(reach_px))
        # Channel by channel in memory, as layers are.
        self.light: Floats = np.moveaxis(np.empty((3, *window.shape), np.float32), 0, -1)
        self.light[:] = backdrop
        #: Change of the light from the middle of the pupil to its edge, down and across.
        change = np.zeros((2, 3, *window.shape), np.float32)
        self._change: Floats = np.moveaxis(change, 1, -1)
        self.doubt: Floats | None = np.zeros(window.shape, np.float32) if doubts else None

    def lay(
        self, layer: Blurred, blur_px: Floats, *, size: float = 1.0, rise: Floats | None = None
    ) -> None:
        """Lay a layer over what is there.

        A point of the pupil that sees past the layer's edge also sees its own part of what is
        behind: where both are blurred the light that gets past is not the product of two means.
        Over the pupil both change nearly evenly, and what their means lack is the product of
        their changes.

        Parameters
        ----------
        layer : Blurred
            Its window lies in the tile.
        blur_px : array (rows, cols) or (1, 1)
            Its signed blur radius on its window.
        size : float
            Radius of the pupil's part that is looked through, in pupil radii.
        rise : array (rows, cols) or None
            How steeply the layer's blur changes, px per px, where it does: what it hides of
            itself from parts of the pupil is in doubt.
        """
        here = layer.window.slices_in(self.window)
        light, change = self.light[here], self._change[:, *here]
        blur_px = np.float32(size) * blur_px
        steps = _steps(blur_px, self._most_level)
        if layer.coverage is None:
            light[:] = layer.colour
            for axis in (0, 1):
                change[axis] = _across_pupil(layer.colour, blur_px, steps, axis)
            if self.doubt is not None:
                self.doubt[here] = _own_doubt(change, rise)
            return
        past = np.float32(1) - layer.coverage
        got = light * past
        if steps:
            hidden = [_across_pupil(layer.coverage, blur_px, steps, axis) for axis in (0, 1)]
            if self.doubt is not None:
                mixed = _SHARED * _green(_length(hidden)) * _length(change).max(axis=-1)
                doubt = self.doubt[here]
                np.maximum(doubt * _green(past), mixed, out=doubt)
            shared = hidden[0] * change[0]
            shared += hidden[1] * change[1]
            shared *= -_SHARED
            # No more can get past the layer than there is.
            shared += got
            change *= past
            for axis in (0, 1):
                change[axis] -= hidden[axis] * light
            own = [_across_pupil(layer.colour, blur_px, steps, axis) for axis in (0, 1)]
            for axis in (0, 1):
                change[axis] += own[axis]
            if self.doubt is not None and rise is not None:
                np.maximum(doubt, _own_doubt(own, rise), out=doubt)
            got = np.clip(shared, np.minimum(got, 0), np.maximum(light, got))
        else:
            change *= past
            if self.doubt is not None:
                self.doubt[here] *= _green(past)
        np.add(got, layer.colour, out=light)

    def question(self, layer: Blurred, uneven_px: Floats) -> None:
        """Doubt the light of a layer that was just laid, whose true blur is wider one way.

        Parameters
        ----------
        layer : Blurred
        uneven_px : array (rows, cols)
            By how much its blur radius is wider one way, and narrower across.
        """
        if self.doubt is not None:
            slope = _length([_slope(layer.colour, axis, _UNEVEN_STEP_PX) for axis in (0, 1)])
            here = layer.window.slices_in(self.window)
            self.doubt[here] = np.maximum(self.doubt[here], uneven_px * slope.max(axis=-1))

    def add(self, other: Pile) -> None:
        """Add the light of another pile, whose tile lies in this one's: a window that shows it."""
        here = other.window.slices_in(self.window)
        self.light[here] += other.light
        self._change[:, *here] += other._change
        if self.doubt is not None and other.doubt is not None:
            np.maximum(self.doubt[here], other.doubt, out=self.doubt[here])


def _length(change: Floats | Sequence[Floats]) -> Floats:
    return np.sqrt(change[0] * change[0] + change[1] * change[1])


def _green(values: Floats) -> Floats:
    """Return the middle channel, or the only one."""
    return values[..., values.shape[-1] // 2]


def _own_doubt(change: Floats | Sequence[Floats], rise: Floats | None) -> Floats | float:
    """Return how much of a layer's own light may be wrong for what it hides of itself."""
    if rise is None:
        return 0.0
    return np.float32(_PER_RISE) * np.minimum(rise, 1) * _length(change).max(axis=-1)


def _steps(blur_px: Floats, most_level: float) -> list[tuple[int, npt.NDArray[np.bool_] | None]]:
    """Return the steps that slopes are taken over, which go with the blur, and where each is.

    None are returned for what is sharp all over; None as the place stands for everywhere.
    """
    size = np.abs(blur_px)
    if not (size > _LEAST_BLUR_PX).any():
        return []
    level = np.log2(np.maximum(size * np.float32(_STEP_PER_RADIUS), 1))
    level = np.minimum(np.rint(level), most_level).astype(np.int8)
    found = np.unique(level)
    if len(found) == 1:
        return [(2 ** int(found[0]), None)]
    return [(2 ** int(one), (level == one)[..., None]) for one in found]


def _across_pupil(
    values: Floats,
    blur_px: Floats,
    steps: list[tuple[int, npt.NDArray[np.bool_] | None]],
    axis: int,
) -> Floats:
    """Return how values of a layer change from the middle of the pupil to its edge."""
    if not steps:
        return np.zeros(values.shape, np.float32)
    change = _slope(values, axis, steps[0][0])
    for step, here in steps[1:]:
        np.copyto(change, _slope(values, axis, step), where=here)
    change *= np.where(np.abs(blur_px) > _LEAST_BLUR_PX, blur_px, np.float32(0))[..., None]
    return change


def _slope(values: Floats, axis: int, step: int) -> Floats:
    """Return the change per pixel, taken over ``step`` pixels to either side."""
    # Channel by channel in memory, as layers are.
    change = np.moveaxis(np.empty((values.shape[-1], *values.shape[:-1]), np.float32), 0, -1)
    v, c = np.moveaxis(values, axis, 0), np.moveaxis(change, axis, 0)
    np.subtract(v[2 * step :], v[: -2 * step], out=c[step:-step])
    c[step:-step] *= np.float32(1 / (2 * step))
    # Toward the ends it is taken over what there is.
    at, last = np.arange(len(v)), len(v) - 1
    at = at[(at < step) | (at > last - step)]
    after, before = np.minimum(at + step, last), np.maximum(at - step, 0)
    c[at] = (v[after] - v[before]) / np.maximum(after - before, 1).astype(np.float32)[:, None, None]
    return change
