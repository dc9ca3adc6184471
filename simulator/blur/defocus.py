"""Blurs one part's view: each pixel spreads its light as its own defocus says."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from ...ground.arrays import (
    fft2,
    fft_side,
    kept,
    namespace,
    sent,
    single,
    take,
    to_host,
    write,
)
from ...ground.chunks import at_once
from ...ground.extremes import extremes
from ...ground.rows import in_place
from ...ground.types import Floats
from ..view.camera import Window
from .basis import Band, Blur, bands_between, exact_band
from .resample import doubled, merged
from .smear import Path

#: Slopes of what is blurred may be taken over so many pixels to either side: a part that is given
#: whole has so much darkness around it.
SLOPE_REACH_PX = 16
#: Blur radii within this range are blurred alike; it moves the edge of a disc by half of it.
ALIKE_PX = 0.02
_LEAST_LEVEL = single(1e-5)
_LEAST_COVER, _TINY = single(1e-6), single(1e-12)
#: Below about this radius a point's light stays in its pixel.
_SHARP_PX = 0.5
#: Samples that stay in a processor's cache while they are worked on.
_CACHED = 1 << 18
#: Samples of all layers and products up to which the steps take longer than the work.
_SMALL = 1 << 18
#: No more than so many take their memory at once, wherever they are worked on.
_MOST = 1 << 24


@dataclass(frozen=True, eq=False)
class Blurred:
    """A blurred part on a window of whole picture pixels.

    Parameters
    ----------
    window : Window
    colour : array (rows, cols, 3)
        Light of the part alone.
    coverage : array (rows, cols, 3) or (rows, cols, 1), or None
        Share of the pupil that sees the part, per channel, or one where all are blurred alike;
        None where it is 1 all over.
    """

    window: Window
    colour: Floats
    coverage: Floats | None

    @classmethod
    def of(cls, window: Window, both: Floats) -> Blurred:
        """Return it of the channels of its colour and, behind them, any of its coverage."""
        return cls(window, both[..., :3], both[..., 3:] if both.shape[-1] > 3 else None)

    @property
    def both(self) -> Floats:
        """Its colour and its coverage, channel after channel."""
        if self.coverage is None:
            return self.colour
        xp = namespace(self.colour)
        planes = (xp.moveaxis(one, -1, 0) for one in (self.colour, self.coverage))
        return xp.moveaxis(xp.concat(tuple(planes)), 0, -1)  # type: ignore[no-any-return]

    def sent(self, xp: Any) -> Blurred:
        """Return it on a device."""
        return self if namespace(self.colour) is xp else self.of(self.window, sent(self.both, xp))


def blur(
    window: Window,
    colour: Floats,
    coverage: Floats | None,
    radius_px: Floats,
    *,
    key: Blur,
    onto: Window,
    normalised: bool,
    motion: Path | None = None,
) -> Blurred:
    """Blur a view.

    Parameters
    ----------
    window : Window
        Of the view; its scale must not exceed `view_scale` of the smallest blur radius.
    colour : array (rows, cols, 3)
        Radiance times coverage.
    coverage : array (rows, cols) or None
    radius_px : array (rows, cols) or (1, 1)
        Blur radius in picture pixels, signed where the blur differs on the two sides of focus.
    key : Optics
    onto : Window
        Picture pixels wanted.
    normalised : bool
        Whether to divide by the blur of a sheet of ones, so that a surface whose blur changes
        from place to place stays as bright as it is.
    motion : Path or None
        Of the part during the exposure.
    """
    xp = namespace(colour)
    sources = _stacked(colour, coverage, normalised=normalised)
    if normalised and radius_px.size > 1:
        # On a slope the rays from one pixel spread over it unevenly: a point counts in proportion
        # to 1 / radius beyond the area of its disc. Exact for a tilted plane.
        sources /= xp.sqrt(radius_px * radius_px + _SHARP_PX**2)
    bands = bands_for(radius_px, key)
    if normalised:
        onto = onto.common(window)
    else:
        farthest = max(_field_reach_px(band, motion) for band in bands)
        onto = onto.common(window.grown(farthest + SLOPE_REACH_PX))
    if onto.empty:
        return Blurred(onto, xp.zeros((0, 0, 3), dtype=xp.float32), None)
    channels = 1 if key.grey else 3
    canvas = _Canvas(onto, layers=3 + channels * (sources.shape[0] - 3), xp=xp)
    for band in bands:
        _add_band(canvas, band, window, sources, radius_px, channels=channels, motion=motion)
    return _composed(onto, canvas.flattened(), coverage is None, channels if normalised else 0)


def _field_reach_px(band: Band, motion: Path | None) -> int:
    """Return how far beyond the part any light of a band may come."""
    # Merging, doubling, and whole merged pixels at both ends take one more each.
    more = 0 if band.scale == 1 else 4 * band.scale
    return _reach_px(band, motion) + more


def _reach_px(band: Band, motion: Path | None) -> int:
    """Return how far the light of a point of a band may go."""
    return band.reach_px + (0 if motion is None else motion.reach_px)


def bands_for(radius_px: Floats, key: Blur) -> list[Band]:
    """Return the bands that a map of blur radii needs: an exact one where there is but one."""
    low, high = extremes(radius_px)
    return [exact_band(key, low)] if low == high else bands_between(key, low, high)


def _stacked(colour: Floats, coverage: Floats | None, *, normalised: bool) -> Floats:
    """Stack the sources: three colours, then coverage, then ones, as far as wanted."""
    xp = namespace(colour)
    layers = [colour[..., 0], colour[..., 1], colour[..., 2]]
    if coverage is not None:
        layers.append(coverage)
    if normalised:
        layers.append(xp.ones(colour.shape[:2], dtype=xp.float32))
    return xp.stack(layers)  # type: ignore[no-any-return]


def _composed(onto: Window, total: Floats, solid: bool, ones: int) -> Blurred:
    """Return what is blurred from its sums; the last ``ones`` are those of a sheet of ones."""
    xp = namespace(total)
    if ones:
        # Only the far edge of a window gets hardly any light; there is nothing to be seen there.
        level = 1 / xp.maximum(total[-ones:, ...], _LEAST_LEVEL)
        total = total[:-ones, ...]
        total[:3, ...] *= level
        if not solid:
            total[3:, ...] *= level
    colour = xp.moveaxis(total[:3, ...], 0, -1)
    return Blurred(onto, colour, None if solid else xp.moveaxis(total[3:, ...], 0, -1))


class _Canvas:
    """Sums of blurred light, one for each scale; flattened from coarse to fine at the end."""

    def __init__(self, onto: Window, *, layers: int, xp: Any) -> None:
        self._layers, self._xp = layers, xp
        self._windows = {1: onto}
        self._sums: dict[int, Floats] = {}

    def at(self, scale: int) -> tuple[Window, Floats]:
        """Return the window and the sum of one scale; coarse ones have a sample to spare."""
        finer = 1
        while finer < scale:
            coarser = 2 * finer
            if coarser not in self._windows:
                self._windows[coarser] = self._windows[finer].grown(coarser).at_scale(coarser)
            finer = coarser
        if scale not in self._sums:
            shape = (self._layers, *self._windows[scale].shape)
            self._sums[scale] = self._xp.zeros(shape, dtype=self._xp.float32)
        return self._windows[scale], self._sums[scale]

    @in_place()
    def flattened(self) -> Floats:
        """Return everything on picture pixels."""
        scale = max(self._sums, default=1)
        while scale > 1:
            coarse_window, coarse = self._windows[scale], self._sums.pop(scale)
            window, fine = self.at(scale // 2)
            rows, cols = window.slices_in(Window(*_edges(coarse_window), scale=scale // 2))
            together = _together(4 * coarse.shape[1] * coarse.shape[2], self._xp)
            for first in range(0, coarse.shape[0], together):
                some = slice(first, min(first + together, coarse.shape[0]))
                fine[some, ...] += doubled(coarse[some, ...], rows, cols)
            scale //= 2
        return self.at(1)[1]


def _together(samples: int, xp: Any) -> int:
    """Return how many layers of so many samples stay in the cache together, at least one."""
    return max(1, at_once(_CACHED, xp) // samples)


def _edges(window: Window) -> tuple[int, int, int, int]:
    return window.row0, window.row1, window.col0, window.col1


def _add_band(
    canvas: _Canvas,
    band: Band,
    window: Window,
    sources: Floats,
    radius_px: Floats,
    *,
    channels: int,
    motion: Path | None,
) -> None:
    """Blur the pixels of one band and add them to the canvas of its scale.

    A transform is periodic. It is just so long that light of the band's reach, where its kernels
    end, does not come round to where it is wanted.
    """
    xp = namespace(sources)
    target, total = canvas.at(band.scale)
    reach = _reach_px(band, motion)
    factor = band.scale // window.scale
    spare = 0 if factor == 1 else band.scale
    part = _active(window, radius_px, band, target.grown(reach + spare))
    if part.empty:
        return
    work = part.grown(spare).at_scale(band.scale)
    inside = part.slices_in(window)
    radius = radius_px if radius_px.size == 1 else radius_px[inside]
    light, index = _gathered(sources[(slice(None), *inside)], radius, band, part, work)
    table = kept(band.weights, xp)
    margin = -(-reach // band.scale)
    rows, cols = work.shape
    down, across = (
        _room(*sides, margin, xp) for sides in zip(_sides(work), _sides(target), strict=True)
    )
    shape = (down.size, across.size)
    transfers = band.spectra_for(shape, window.scale, xp)[:, :channels, ...]
    room = slice(down.lead, down.lead + rows), slice(across.lead, across.lead + cols)
    together = _together(shape[0] * shape[1], xp)
    if band.rank * light.shape[0] * shape[0] * shape[1] <= min(at_once(_SMALL, xp), _MOST):
        mixed = _mixed_at_once(light, take(table, index), transfers, shape, room)
    else:
        weights = (take(table[number, :], index) for number in range(band.rank))
        mixed = _mixed_by_product(light, weights, transfers, shape, room)
    after = None if motion is None else motion.transfer(shape, band.scale, xp)
    for first in range(0, mixed.shape[0], together):
        last = min(first + together, mixed.shape[0])
        some = mixed[first:last, ...]
        blurred = fft2(some if after is None else some * after, shape)
        there = total[first:last, ...]
        inner = blurred[:, : down.stop, : across.stop]
        _deposit(there, target, inner, work, (down.lead, across.lead))


class _Room(NamedTuple):
    """One side of a transform: samples before the sources, in all, and up to where they count."""

    lead: int
    size: int
    stop: int


def _sides(window: Window) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return the first and the last row and column of a window, counted in its samples."""
    row0, row1, col0, col1 = (edge // window.scale for edge in _edges(window))
    return (row0, row1), (col0, col1)


def _room(sources: tuple[int, int], wanted: tuple[int, int], margin: int, xp: Any) -> _Room:
    """Return the room that a transform needs along a side, for light that goes ``margin`` far."""
    first, last = sources
    low, high = max(wanted[0], first - margin), min(wanted[1], last + margin)
    lead = max(first - low, 0)
    stop = lead + high - first
    size = max(lead + last - first, stop, last - low + margin, high - first + margin)
    return _Room(lead, fft_side(size, xp), stop)


@in_place()
def _gathered(
    light: Floats, radius: Floats, band: Band, part: Window, work: Window
) -> tuple[Floats, npt.NDArray[np.intp]]:
    """Return a band's light on a window that may be coarser, and the indices of its weights.

    Light is shared out among the bands before it is merged: they would not agree on the shares
    of a merged pixel whose blur varies.
    """
    xp = namespace(light)
    index = band.index_at(radius)
    factor = work.scale // part.scale
    share = band.share_of(radius)
    light = light * share
    if factor == 1:
        return light, index
    lead = ((part.row0 - work.row0) // part.scale, (part.col0 - work.col0) // part.scale)
    if radius.size > 1:
        # What covers nothing must not pull the radius of its merged pixel: weigh by coverage.
        weight = light[3, ...] if light.shape[0] > 3 else share
        weight = weight + _LEAST_COVER
        level = merged(weight, factor, lead, work.shape)
        radius = merged(radius * weight, factor, lead, work.shape)
        radius /= xp.maximum(level, _TINY)
        index = band.index_at(radius)
    layers = [light[k, ...] for k in range(light.shape[0])]
    light = xp.stack([merged(layer, factor, lead, work.shape) for layer in layers])
    return light, index


@in_place()
def _deposit(
    total: Floats, target: Window, blurred: Floats, work: Window, lead: tuple[int, int]
) -> None:
    """Add blurred fields, whose work window starts ``lead`` samples in, to a canvas."""
    s = work.scale
    row0, col0 = work.row0 - lead[0] * s, work.col0 - lead[1] * s
    field = Window(row0, row0 + blurred.shape[1] * s, col0, col0 + blurred.shape[2] * s, s)
    common = field.common(target)
    if not common.empty:
        there, here = common.slices_in(target), common.slices_in(field)
        total[:, *there] += blurred[:, *here]


def _mixed_at_once(
    light: Floats,
    weights: Floats,
    transfers: npt.NDArray[Any],
    shape: tuple[int, int],
    room: tuple[slice, slice],
) -> npt.NDArray[np.complex64]:
    """Return the sums of all products of what is small, in few steps.

    Parameters
    ----------
    light : array (layers, rows, cols)
    weights : array (products, rows, cols) or (products, 1, 1)
    transfers : array (products, channels, ...)
        On the grid of a real FFT.
    shape : (rows, cols)
        Of the transform.
    room : (slice, slice)
        Where in it the light is.
    """
    xp, layers = namespace(light), light.shape[0]
    field = xp.zeros((weights.shape[0], layers, *shape), dtype=xp.float32)
    write("multiply", light, weights[:, None, ...], out=field[:, :, *room])
    spectra = fft2(field)
    # A colour takes its own channel's transfer, another layer all; one transfer is for all.
    parts = [spectra[:, :3, ...] * transfers]
    parts += [spectra[:, number : number + 1, ...] * transfers for number in range(3, layers)]
    sums = [xp.sum(part, axis=0, dtype=xp.complex64) for part in parts]
    return xp.concat(sums) if len(sums) > 1 else sums[0]  # type: ignore[no-any-return]


@in_place()
def _mixed_by_product(
    light: Floats,
    weights: Iterable[Floats],
    transfers: npt.NDArray[Any],
    shape: tuple[int, int],
    room: tuple[slice, slice],
) -> npt.NDArray[np.complex64]:
    """Return the same of what is large, product by product, as the cache holds layers."""
    xp, layers, channels = namespace(light), light.shape[0], transfers.shape[1]
    sums, together = 3 + channels * (layers - 3), _together(shape[0] * shape[1], xp)
    mixed = xp.zeros((sums, shape[0], shape[1] // 2 + 1), dtype=xp.complex64)
    field = xp.zeros((min(together, layers), *shape), dtype=xp.float32)
    here = field[:, *room]
    for number, weight in enumerate(weights):
        for first in range(0, layers, together):
            some = light[first : min(first + together, layers), ...]
            write("multiply", some, weight, out=here[: some.shape[0], ...])
            spectra = fft2(field[: some.shape[0], ...])
            _mix(mixed, first, spectra, transfers[number, ...])
    return mixed


def _mix(
    mixed: npt.NDArray[np.complex64],
    first: int,
    spectra: npt.NDArray[np.complex64],
    transfer: Floats,
) -> None:
    """Add one product of some layers, the first of which is numbered ``first``.

    A colour takes its own channel's transfer, another layer all; one transfer is for all channels.
    """
    channels, xp = transfer.shape[0], namespace(spectra)
    for place in range(spectra.shape[0]):
        number, spectrum = first + place, spectra[place, ...]
        one = number % channels
        own = transfer[one : one + 1, ...] if number < 3 else transfer
        start = number if number < 3 else 3 + channels * (number - 3)
        into = mixed[start : start + own.shape[0], ...]
        step = _together(4 * own.shape[0] * own.shape[2], xp)
        for row in range(0, spectrum.shape[0], step):
            strip = slice(row, min(row + step, spectrum.shape[0]))
            into[:, strip, :] += spectrum[strip, :] * own[:, strip, :]


def _active(window: Window, radius_px: Floats, band: Band, near: Window) -> Window:
    """Return the smallest window of pixels that are in the band and can reach the picture."""
    edges = _edges(near.common(window))
    part = Window(*edges, scale=window.scale).at_scale(window.scale).common(window)
    part = Window(*_edges(part), scale=window.scale)
    if part.empty or radius_px.size == 1:
        return part
    radius = radius_px[part.slices_in(window)]
    xp, inside = namespace(radius), band.holds(radius)
    there = to_host(xp.concat([xp.any(inside, axis=axis) for axis in (1, 0)]))
    rows, cols = (np.flatnonzero(some) for some in np.split(there, [inside.shape[0]]))
    if len(rows) == 0:
        return Window(0, 0, 0, 0, window.scale)
    s = window.scale
    return Window(
        part.row0 + int(rows[0]) * s,
        part.row0 + int(rows[-1] + 1) * s,
        part.col0 + int(cols[0]) * s,
        part.col0 + int(cols[-1] + 1) * s,
        s,
    )
