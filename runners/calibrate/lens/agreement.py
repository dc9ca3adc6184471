"""How far a lens, given by its numbers, is from measured curves of contrast through focus."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ....ground.types import Bools, Doubles
from .model import Curves, curves_of
from .spectra import SHARES
from .through_focus import ThroughFocus

#: Blur discs wider than this are left out: farther out a curve tells of noise and of the edges of
#: the block more than of the lens.
WIDEST_PX = 12.0
GREEN = 1
#: How far a frame is thought to stand off its place, in steps; and steps of the derivatives.
_STOP_ERROR = 0.1
_LOG_STEP, _UM_STEP = 0.01, 0.01


@dataclass(frozen=True, kw_only=True, eq=False)
class LensNumbers:
    """What is fitted.

    Parameters
    ----------
    log_f_number, log_blur, spherical_um : float
        Logarithms of the working f-number and of how much wider the blur disc gets a step, px.
    colour : array (3,)
        How many steps farther each channel is in focus than green.
    offset : array (frames,)
        How far each frame stands off its place, in steps.
    focus : array (blocks,)
        Stop at which green is in focus.
    """

    log_f_number: float
    log_blur: float
    spherical_um: float
    colour: Doubles
    offset: Doubles
    focus: Doubles

    #: Places of the numbers of the whole lens among all.
    F_NUMBER, BLUR, SPHERICAL, RED, BLUE, LENS = range(6)

    def vector(self) -> Doubles:
        """Return all of them in one row: those of the lens, the offsets, the focus."""
        lens = [self.log_f_number, self.log_blur, self.spherical_um, self.colour[0], self.colour[2]]
        return np.concatenate([lens, self.offset, self.focus])

    def moved(self, step: Doubles) -> LensNumbers:
        """Return the numbers after a step."""
        new = self.vector() + step
        frames = self.LENS + len(self.offset)
        return LensNumbers(
            log_f_number=float(new[self.F_NUMBER]),
            log_blur=float(new[self.BLUR]),
            spherical_um=float(new[self.SPHERICAL]),
            colour=np.array([new[self.RED], 0.0, new[self.BLUE]]),
            offset=new[self.LENS : frames],
            focus=new[frames:],
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Agreement:
    """Curves that a lens is made to agree with.

    Parameters
    ----------
    seen : ThroughFocus
    used : array (blocks, frames) of bool
        Which frames of a block count.
    channels : tuple of int
    wavelengths_um : three tuples of float
    pitch_um : float
        Of the frames' pixels on the sensor.
    """

    seen: ThroughFocus
    used: Bools
    channels: tuple[int, ...]
    wavelengths_um: Sequence[tuple[float, ...]]
    pitch_um: float
    _tables: dict[tuple[int, float, float], Curves] = field(default_factory=dict)

    def curves(self, channel: int, log_f_number: float, spherical_um: float) -> Curves:
        """Return the curves of a lens in a channel; made once."""
        key = channel, log_f_number, spherical_um
        if key not in self._tables:
            self._tables[key] = curves_of(
                self.seen.frequencies,
                SHARES,
                working_f_number=float(np.exp(log_f_number)),
                spherical_um=spherical_um,
                wavelengths_um=self.wavelengths_um[channel],
                pitch_um=self.pitch_um,
                reach_px=1.25 * WIDEST_PX,
            )
        return self._tables[key]

    def blur_px(self, numbers: LensNumbers, channel: int) -> tuple[Doubles, Doubles]:
        """Return the signed blur of each block and frame, and its change with a step of focus."""
        focus = numbers.focus - numbers.colour[channel]
        behind = focus[:, None] - (self.seen.stops + numbers.offset)
        share = 1 + behind * self.seen.per_step
        width = np.exp(numbers.log_blur)
        return width * behind / share, width / share**2

    def residual(self, numbers: LensNumbers) -> Doubles:
        """Return what is left of the curves, over its standard deviation, in one row.

        Each curve has a strength of its own, which is found on the way. At the end stand the
        offsets of the frames.
        """
        left = [self._left(numbers, channel) for channel in self.channels]
        return np.concatenate([*map(np.ravel, left), numbers.offset / _STOP_ERROR])

    def _left(self, numbers: LensNumbers, channel: int) -> Doubles:
        shape, _ = self._shape(self._contrast(numbers, channel))
        measured = self._measured(channel)
        inner = (measured * shape).sum(axis=-1, keepdims=True)
        return self._weight(channel) * (measured - inner * shape)

    def _contrast(self, numbers: LensNumbers, channel: int, *, order: int = 0) -> Doubles:
        table = self.curves(channel, numbers.log_f_number, numbers.spherical_um)
        blur, _ = self.blur_px(numbers, channel)
        return np.moveaxis(table.at(blur, order=order), 0, 1)

    def _shape(self, contrast: Doubles) -> tuple[Doubles, Doubles]:
        """Return curves of length 1 over the frames that count, and their lengths before."""
        counted = contrast * self.used[:, None]
        length = np.sqrt(np.square(counted).sum(axis=-1, keepdims=True)) + 1e-12
        return counted / length, length

    def _measured(self, channel: int) -> Doubles:
        return np.asarray(self.seen.curves[:, channel] * self.used[:, None])

    def _weight(self, channel: int) -> Doubles:
        return np.asarray(self.seen.weights[:, channel][..., None])

    def jacobian(self, numbers: LensNumbers) -> Doubles:
        """Return the change of the residual with each number of `LensNumbers.vector`."""
        frames, blocks = len(numbers.offset), len(numbers.focus)
        count = LensNumbers.LENS + frames + blocks
        parts = [self._changes(numbers, channel).reshape(-1, count) for channel in self.channels]
        off = np.zeros((frames, count))
        off[:, LensNumbers.LENS : LensNumbers.LENS + frames] = np.eye(frames) / _STOP_ERROR
        return np.concatenate([*parts, off])

    def _changes(self, numbers: LensNumbers, channel: int) -> Doubles:
        """Return the changes of the curves of a channel, (blocks, bands, frames, numbers)."""
        here = self._contrast(numbers, channel)
        shape, length = self._shape(here)
        measured, weight = self._measured(channel), self._weight(channel)
        inner = (measured * shape).sum(axis=-1, keepdims=True)

        def turned(change: Doubles) -> Doubles:
            """Return what a change of the contrast (..., numbers) changes of the residual."""
            change = change * (self.used[:, None] / length)[..., None]
            change = (
                change - shape[..., None] * np.einsum("bkf,bkfn->bkn", shape, change)[:, :, None]
            )
            along = np.einsum("bkf,bkfn->bkn", measured, change)[:, :, None]
            return -weight[..., None] * (along * shape[..., None] + inner[..., None] * change)

        blur, per_step = self.blur_px(numbers, channel)
        nearer = self._contrast(numbers, channel, order=1) * per_step[:, None]
        by_lens = np.stack(
            [
                *(
                    (np.moveaxis(other.at(blur), 0, 1) - here) / step
                    for other, step in self._beside(numbers, channel)
                ),
                nearer * (blur / per_step)[:, None],
                nearer,
            ],
            axis=-1,
        )
        f_number, spherical, wider, focus = np.moveaxis(turned(by_lens), -1, 0)
        frames = len(numbers.offset)
        out = np.zeros((*here.shape, LensNumbers.LENS + frames + len(here)))
        out[..., LensNumbers.F_NUMBER], out[..., LensNumbers.SPHERICAL] = f_number, spherical
        out[..., LensNumbers.BLUR] = wider
        if channel != GREEN:
            out[..., LensNumbers.BLUE if channel else LensNumbers.RED] = -focus
        out[..., LensNumbers.LENS : LensNumbers.LENS + frames] = turned(
            -nearer[..., None] * np.eye(frames)
        )
        blocks = np.arange(len(here))
        out[blocks, :, :, LensNumbers.LENS + frames + blocks] = focus
        return out

    def _beside(self, numbers: LensNumbers, channel: int) -> list[tuple[Curves, float]]:
        """Return the curves of a lens with a little more of f-number and of aberration."""
        log_f, spherical = numbers.log_f_number, numbers.spherical_um
        return [
            (self.curves(channel, log_f + _LOG_STEP, spherical), _LOG_STEP),
            (self.curves(channel, log_f, spherical + _UM_STEP), _UM_STEP),
        ]
