"""Blurred layers laid over one another, from far to near."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from ...ground.arrays import clip, kept, namespace, sent, single, write, write_where
from ...ground.extremes import extremes
from ...ground.types import Floats
from ..blur.defocus import SLOPE_REACH_PX, Blurred
from ..view.camera import Window

#: What is blurred less than this, px, is seen alike from all of the pupil.
_LEAST_BLUR_PX = 0.5
#: Mean of the product of two slopes over the pupil, over the product of their changes across its
#: radius. It is 1/4 for even slopes, and 1/3 in the middle of a straight edge that is blurred.
_SHARED = single(1 / 3)
#: Changes are taken over about this share of the blur radius to either side.
_STEP_PER_RADIUS = single(1 / 3)
#: Share of its change across the pupil that is in doubt where a layer rises as steeply as it blurs.
_PER_RISE = single(0.1)
#: Slopes of what is blurred unevenly are taken over so much to either side, px.
_UNEVEN_STEP_PX = 1
#: Where colour and coverage are among the channels of both.
_COLOUR, _COVERAGE = slice(0, 3), slice(3, None)
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
    xp : module
        Namespace of the device.
    """

    def __init__(
        self,
        window: Window,
        backdrop: tuple[float, float, float],
        *,
        reach_px: int = PILE_REACH_PX,
        doubts: bool = False,
        xp: Any = np,
    ) -> None:
        self.window = window
        self.reach_px = reach_px
        self._most_level = float(np.log2(reach_px))
        # Channel by channel in memory, as layers are.
        empty = xp.empty((3, *window.shape), dtype=xp.float32)
        for channel, light in enumerate(backdrop):
            empty[channel, ...] = light
        self.light: Floats = xp.moveaxis(empty, 0, -1)
        #: Change of the light from the middle of the pupil to its edge, down and across.
        change = xp.zeros((2, 3, *window.shape), dtype=xp.float32)
        self._change: Floats = xp.moveaxis(change, 1, -1)
        self.doubt: Floats | None = None
        if doubts:
            self.doubt = xp.zeros(window.shape, dtype=xp.float32)

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
        light, change = self.light[*here, :], self._change[:, *here, :]
        xp = namespace(light)
        layer, blur_px = layer.sent(xp), sent(blur_px, xp)
        rise = None if rise is None else sent(rise, xp)
        blur_px = single(size) * blur_px
        steps = _steps(blur_px, self._most_level)
        if layer.coverage is None:
            light[...] = layer.colour
            for axis in (0, 1):
                change[axis, ...] = _across_pupil(layer.colour, blur_px, steps, axis)
            if self.doubt is not None:
                self.doubt[here] = _own_doubt((change[0, ...], change[1, ...]), rise)
            return
        past = 1 - layer.coverage
        got = light * past
        if steps:
            both = layer.both
            changes = [_across_pupil(both, blur_px, steps, axis) for axis in (0, 1)]
            own, hidden = ([one[..., part] for one in changes] for part in (_COLOUR, _COVERAGE))
            if self.doubt is not None:
                behind = xp.max(_length((change[0, ...], change[1, ...])), axis=-1)
                mixed = _SHARED * _green(_length(hidden)) * behind
                doubt = self.doubt[here]
                write("maximum", doubt * _green(past), mixed, out=doubt)
            shared = hidden[0] * change[0, ...]
            shared += hidden[1] * change[1, ...]
            shared *= -_SHARED
            # No more can get past the layer than there is.
            shared += got
            change *= past
            for axis in (0, 1):
                change[axis, ...] -= hidden[axis] * light
            for axis in (0, 1):
                change[axis, ...] += own[axis]
            if self.doubt is not None and rise is not None:
                write("maximum", doubt, _own_doubt(own, rise), out=doubt)
            got = clip(shared, xp.minimum(got, 0), xp.maximum(light, got))
        else:
            change *= past
            if self.doubt is not None:
                self.doubt[here] *= _green(past)
        write("add", got, layer.colour, out=light)

    def add(self, layer: Blurred, blur_px: Floats, *, size: float = 1.0) -> None:
        """Add light that hides nothing, as what a surface mirrors.

        Parameters
        ----------
        layer, blur_px, size
            As for `lay`; the coverage does not count.
        """
        here = layer.window.slices_in(self.window)
        light, change = self.light[*here, :], self._change[:, *here, :]
        xp = namespace(light)
        layer, blur_px = layer.sent(xp), sent(blur_px, xp)
        light += layer.colour
        blur_px = single(size) * blur_px
        steps = _steps(blur_px, self._most_level)
        if steps:
            for axis in (0, 1):
                change[axis, ...] += _across_pupil(layer.colour, blur_px, steps, axis)

    def question(self, layer: Blurred, uneven_px: Floats) -> None:
        """Doubt the light of a layer that was just laid, whose true blur is wider one way.

        Parameters
        ----------
        layer : Blurred
        uneven_px : array (rows, cols)
            By how much its blur radius is wider one way, and narrower across.
        """
        if self.doubt is not None:
            xp = namespace(self.doubt)
            colour, uneven_px = sent(layer.colour, xp), sent(uneven_px, xp)
            slope = _length([_slope(colour, axis, _UNEVEN_STEP_PX) for axis in (0, 1)])
            doubt = self.doubt[layer.window.slices_in(self.window)]
            write("maximum", doubt, uneven_px * xp.max(slope, axis=-1), out=doubt)

    def add_pile(self, other: Pile) -> None:
        """Add the light of another pile, whose tile lies in this one's: a window that shows it."""
        here = other.window.slices_in(self.window)
        light, change = self.light[*here, :], self._change[:, *here, :]
        light += other.light
        change += other._change
        if self.doubt is not None and other.doubt is not None:
            doubt = self.doubt[here]
            write("maximum", doubt, other.doubt, out=doubt)


def _length(change: Sequence[Floats]) -> Floats:
    down, across = change
    return namespace(down).sqrt(down * down + across * across)  # type: ignore[no-any-return]


def _green(values: Floats) -> Floats:
    """Return the middle channel, or the only one."""
    return values[..., values.shape[-1] // 2]


def _own_doubt(change: Sequence[Floats], rise: Floats | None) -> Floats | float:
    """Return how much of a layer's own light may be wrong for what it hides of itself."""
    if rise is None:
        return 0.0
    xp = namespace(rise)
    own: Floats = xp.max(_length(change), axis=-1)
    return _PER_RISE * xp.minimum(rise, 1) * own  # type: ignore[no-any-return]


def _steps(blur_px: Floats, most_level: float) -> list[tuple[int, npt.NDArray[np.bool_] | None]]:
    """Return the steps that slopes are taken over, which go with the blur, and where each is.

    None are returned for what is sharp all over; None as the place stands for everywhere.
    """
    xp = namespace(blur_px)
    size = xp.abs(blur_px)
    if not xp.any(size > _LEAST_BLUR_PX):
        return []
    level = xp.log2(xp.maximum(size * _STEP_PER_RADIUS, 1))
    level = xp.astype(xp.minimum(xp.round(level), most_level), xp.int8)
    low, high = map(int, extremes(level))
    if low == high:
        return [(2**low, None)]
    return [(2**one, (level == one)[..., None]) for one in range(low, high + 1)]


def _across_pupil(
    values: Floats,
    blur_px: Floats,
    steps: list[tuple[int, npt.NDArray[np.bool_] | None]],
    axis: int,
) -> Floats:
    """Return how values of a layer change from the middle of the pupil to its edge."""
    xp = namespace(values)
    if not steps:
        return xp.zeros(values.shape, dtype=xp.float32)  # type: ignore[no-any-return]
    change = _slope(values, axis, steps[0][0])
    for step, here in steps[1:]:
        write_where(change, _slope(values, axis, step), here)
    change *= xp.where(xp.abs(blur_px) > _LEAST_BLUR_PX, blur_px, 0.0)[..., None]
    return change


def _slope(values: Floats, axis: int, step: int) -> Floats:
    """Return the change per pixel, taken over ``step`` pixels to either side."""
    # Channel by channel in memory, as layers are.
    xp, shape = namespace(values), (values.shape[-1], *values.shape[:-1])
    change: Floats = xp.moveaxis(xp.empty(shape, dtype=xp.float32), 0, -1)
    v, c = xp.moveaxis(values, axis, 0), xp.moveaxis(change, axis, 0)
    if v.shape[0] > 2 * step:
        inner = c[step:-step, ...]
        write("subtract", v[2 * step :, ...], v[: -2 * step, ...], out=inner)
        inner *= 1 / (2 * step)
    # Toward the ends it is taken over what there is.
    for part, after, before, width in _ends(v.shape[0], step):
        c[part, ...] = (_rows(v, after) - _rows(v, before)) / kept(width, xp)
    return change


def _rows(values: Floats, at: slice | npt.NDArray) -> Floats:
    if isinstance(at, slice):
        return values[at, ...]
    xp = namespace(values)
    return xp.take(values, kept(at, xp), axis=0)  # type: ignore[no-any-return]


@lru_cache(maxsize=64)
def _ends(length: int, step: int) -> list[tuple[slice, Any, Any, Floats]]:
    """Return the two ends of an axis, between which places their changes are taken, and widths."""
    first = min(step, length)
    ends = (slice(0, first), slice(max(length - step, first), length))
    found: list[tuple[slice, Any, Any, Floats]] = []
    for part in (part for part in ends if part.stop > part.start):
        at = np.arange(part.start, part.stop)
        after, before = np.minimum(at + step, length - 1), np.maximum(at - step, 0)
        width = np.maximum(after - before, 1).astype(np.float32)[:, None, None]
        if length < 2 * step:
            found.append((part, after, before, width))
        elif part.start == 0:  # views of the values will do
            found.append((part, slice(step, 2 * step), slice(0, 1), width))
        else:
            inner = slice(length - 2 * step, length - step)
            found.append((part, slice(length - 1, length), inner, width))
    return found
