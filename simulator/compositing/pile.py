"""Blurred layers laid over one another, from far to near."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from ...ground.arrays import clip, kept, namespace, sent, single, take, write, write_where
from ...ground.chunks import at_once
from ...ground.extremes import extremes
from ...ground.rows import in_place
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
#: Pixels of a layer that stay in a processor's cache, with all that is made of them.
_CACHED = 1 << 15
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

    @in_place()
    def lay(
        self,
        layer: Blurred,
        blur_px: Floats,
        *,
        size: float = 1.0,
        rise: Floats | None = None,
        last: bool = False,
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
        last : bool
            Whether no other layer comes over it, so that changes are wanted no more.
        """
        xp = namespace(self.light)
        layer, blur_px = layer.sent(xp), sent(blur_px, xp)
        blur_px = single(size) * blur_px
        rise = None if rise is None else sent(rise, xp)
        rows, cols = layer.window.shape
        # What is worked on at once stays in the cache.
        count = max(at_once(_CACHED, xp) // max(cols, 1), 1)
        for first in range(0, rows, count):
            strip = slice(first, min(first + count, rows))
            there = None if rise is None else rise[strip, ...]
            self._lay_strip(layer, strip, _rows_of(blur_px, strip), there, last=last)

    def _lay_strip(
        self, layer: Blurred, strip: slice, blur_px: Floats, rise: Floats | None, *, last: bool
    ) -> None:
        """Lay some rows of a layer, whose blur and its rise are given of these alone."""
        rows, cols = layer.window.slices_in(self.window)
        here = (slice(rows.start + strip.start, rows.start + strip.stop), cols)
        light, change = self.light[*here, :], self._change[:, *here, :]
        doubt = None if self.doubt is None else self.doubt[here]
        keep = not last or doubt is not None
        across = _across(blur_px, self._most_level)
        colour = layer.colour[strip, ...]
        if layer.coverage is None:
            light[...] = colour
            for axis in (0, 1) if keep else ():
                change[axis, ...] = _across_pupil(layer.colour, strip, across, axis)
            if doubt is not None:
                doubt[...] = _own_doubt((change[0, ...], change[1, ...]), rise)
            return
        xp, past = namespace(light), 1 - layer.coverage[strip, ...]
        got = light * past
        if across.steps:
            hidden = [_across_pupil(layer.coverage, strip, across, axis) for axis in (0, 1)]
            if doubt is not None:
                behind = xp.max(_length((change[0, ...], change[1, ...])), axis=-1)
                mixed = _SHARED * _green(_length(hidden)) * behind
                write("maximum", doubt * _green(past), mixed, out=doubt)
            shared = hidden[0] * change[0, ...]
            shared += hidden[1] * change[1, ...]
            shared *= -_SHARED
            # No more can get past the layer than there is.
            shared += got
            if keep:
                own = [_across_pupil(layer.colour, strip, across, axis) for axis in (0, 1)]
                for axis in (0, 1):
                    change[axis, ...] *= past
                    change[axis, ...] -= hidden[axis] * light
                    change[axis, ...] += own[axis]
                if doubt is not None and rise is not None:
                    write("maximum", doubt, _own_doubt(own, rise), out=doubt)
            got = clip(shared, xp.minimum(got, 0), xp.maximum(light, got))
        else:
            if keep:
                change *= past
            if doubt is not None:
                doubt *= _green(past)
        write("add", got, colour, out=light)

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
        across = _across(blur_px, self._most_level)
        if across.steps:
            rows = slice(0, layer.window.shape[0])
            for axis in (0, 1):
                change[axis, ...] += _across_pupil(layer.colour, rows, across, axis)

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
            rows = slice(0, colour.shape[0])
            apart = [_difference(colour, axis, _UNEVEN_STEP_PX, rows) for axis in (0, 1)]
            slope = _length(apart) * (0.5 / _UNEVEN_STEP_PX)
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


def _rows_of(values: Floats, rows: slice) -> Floats:
    """Return some rows of a map that may hold one value for all."""
    return values if values.shape[0] == 1 else values[rows, ...]


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


class _Across(NamedTuple):
    """How far to either side the changes of some rows are taken, and what becomes of them.

    Parameters
    ----------
    steps : list of (int, array of bool or None)
        Pixels, which go with the blur, and where; None stands for everywhere. There are none for
        what is sharp all over.
    weight : array (rows, cols) or (1, 1)
        By what a difference over twice the step is multiplied.
    """

    steps: list[tuple[int, npt.NDArray[np.bool_] | None]]
    weight: Floats


def _across(blur_px: Floats, most_level: float) -> _Across:
    """Return how changes are taken of what is blurred so much."""
    xp = namespace(blur_px)
    size = xp.abs(blur_px)
    least, most = extremes(size)
    if not most > _LEAST_BLUR_PX:
        return _Across([], blur_px)
    low, high = _levels(np.array([least, most], np.float32), most_level).tolist()
    weight = blur_px
    if not least > _LEAST_BLUR_PX:
        weight = xp.where(size > _LEAST_BLUR_PX, blur_px, 0.0)
    if low == high:
        return _Across([(2**low, None)], weight * (0.5 / 2**low))
    level = _levels(size, most_level)
    some = range(low, high + 1)
    per_px = sent(np.array([0.5 / 2**one for one in some], np.float32), xp)
    weight = weight * take(per_px, xp.astype(level, xp.int64) - low)
    return _Across([(2**one, (level == one)[..., None]) for one in some], weight)


def _levels(size_px: Floats, most: float) -> npt.NDArray[np.int8]:
    """Return the steps of changes as powers of two."""
    xp = namespace(size_px)
    level = xp.log2(xp.maximum(size_px * _STEP_PER_RADIUS, 1))
    return xp.astype(xp.minimum(xp.round(level), most), xp.int8)  # type: ignore[no-any-return]


def _across_pupil(values: Floats, rows: slice, across: _Across, axis: int) -> Floats:
    """Return how some rows of a layer change from the middle of the pupil to its edge."""
    xp = namespace(values)
    if not across.steps:
        shape = (rows.stop - rows.start, *values.shape[1:])
        return xp.zeros(shape, dtype=xp.float32)  # type: ignore[no-any-return]
    change = _difference(values, axis, across.steps[0][0], rows)
    for step, here in across.steps[1:]:
        write_where(change, _difference(values, axis, step, rows), here)
    planes = xp.moveaxis(change, -1, 0)
    planes *= across.weight
    return change


def _difference(values: Floats, axis: int, step: int, rows: slice) -> Floats:
    """Return the differences of some rows between the pixels ``step`` to either side."""
    # Channel by channel in memory, as layers are: a GPU is slow in any other order.
    xp, v = namespace(values), namespace(values).moveaxis(values, -1, 0)
    c: Floats = xp.empty((v.shape[0], rows.stop - rows.start, v.shape[2]), dtype=xp.float32)
    v, part = (v, rows) if axis == 0 else (v[:, rows, :], slice(0, v.shape[2]))
    length = v.shape[1 + axis]
    first, last = max(part.start, step), min(part.stop, length - step)
    if first < last:
        after, before = (_some(v, axis, slice(first + way, last + way)) for way in (step, -step))
        inner = _some(c, axis, slice(first - part.start, last - part.start))
        write("subtract", after, before, out=inner)
    # Toward the ends it is as over what there is.
    for first, last, after, before, width in _ends(length, step, part.start, part.stop):
        wide = kept(width, xp)
        wide = wide[:, None] if axis == 0 else wide
        end = (_some(v, axis, after) - _some(v, axis, before)) / wide
        _some(c, axis, slice(first - part.start, last - part.start))[...] = end * (2 * step)
    return xp.moveaxis(c, 0, -1)  # type: ignore[no-any-return]


def _some(values: Floats, axis: int, at: slice | npt.NDArray) -> Floats:
    """Return some rows (axis 0) or columns of planes."""
    if isinstance(at, slice):
        return values[:, at, :] if axis == 0 else values[:, :, at]
    xp = namespace(values)
    return xp.take(values, kept(at, xp), axis=1 + axis)  # type: ignore[no-any-return]


@lru_cache(maxsize=256)
def _ends(length: int, step: int, start: int, stop: int) -> list[tuple[int, int, Any, Any, Floats]]:
    """Return what of the two ends of an axis lies in a part of it.

    From where to where, between which places changes are taken there, and widths.
    """
    low = min(step, length)
    ends = ((0, low), (max(length - step, low), length))
    found: list[tuple[int, int, Any, Any, Floats]] = []
    for first, last in ((max(first, start), min(last, stop)) for first, last in ends):
        if first >= last:
            continue
        at = np.arange(first, last)
        after, before = np.minimum(at + step, length - 1), np.maximum(at - step, 0)
        width = np.maximum(after - before, 1).astype(np.float32)
        places: list[Any] = [after, before]
        if length >= 2 * step:  # views of the values will do
            places = [slice(int(one[0]), int(one[-1]) + 1) for one in places]
        found.append((first, last, *places, width))
    return found
