"""The transfer function of a pupil that is not round, over both axes of frequency.

It is the overlap of the pupil with itself, shifted by +-s/2, integrated over the phase between the
two. That of defocus changes along the shift alone, so all defoci share the lengths of the
overlap's lines across the shift, and one Fourier integral over them is left for each.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ...ground.types import Doubles
from .pupil import Pupil

Complexes = npt.NDArray[np.complex128]

#: Lines across the overlap, and points on each where spherical aberration varies along it.
LINES, _POINTS = 128, 20
#: Cycles of the phase over a pupil's diameter that so many lines resolve with ease.
_CYCLES = 20.0
#: Values held at once.
_CHUNK = 1 << 19


def pupil_otf(
    pupil: Pupil,
    frequency_x: npt.ArrayLike,
    frequency_y: npt.ArrayLike,
    defocus_waves: npt.ArrayLike,
    *,
    spherical_waves: float = 0.0,
) -> Complexes:
    """Transfer function of a clear pupil of any convex shape with defocus.

    Parameters
    ----------
    pupil : Pupil
    frequency_x, frequency_y : array_like
        Reduced frequency to the right and down; 2 is the cut-off of the round pupil.
    defocus_waves : array_like
        W at the edge of the round pupil, signed, + behind the plane of focus. All three broadcast.
    spherical_waves : float
        Primary spherical aberration there, about its best focus.

    Returns
    -------
    array of complex128
        1 at frequency 0. Its transform is the image of a point, turned as the pupil is for one
        behind the plane of focus. Error below 1e-4.

    Raises
    ------
    ValueError
        A value is not finite.
    """
    f_x, f_y, waves = np.broadcast_arrays(
        *(np.asarray(one, np.float64) for one in (frequency_x, frequency_y, defocus_waves))
    )
    if not all(np.isfinite(one).all() for one in (f_x, f_y, waves, spherical_waves)):
        raise ValueError("frequency, defocus and spherical_waves must be finite, got NaN or inf")
    # A disc of radius 2 W per reduced frequency.
    radius, spherical = 2 * waves.ravel(), 2 * spherical_waves
    shift = np.hypot(f_x, f_y).ravel()
    cycles = shift * (np.abs(radius) * pupil.farthest + 2 * abs(spherical) * pupil.farthest**3)
    needed = LINES * np.maximum(1, np.ceil(2 * cycles / _CYCLES)).astype(np.intp)
    out = np.zeros(len(shift), np.complex128)
    for count in np.unique(needed):
        some = np.flatnonzero(needed == count)
        lines = overlap_lines(
            pupil,
            f_x.ravel()[some],
            f_y.ravel()[some],
            shift=shift[some, None, None],
            spherical=spherical,
            count=int(count),
        )
        out[some] = lines.transfer(radius[some, None, None])[:, 0, 0]
    return out.reshape(f_x.shape)


@dataclass(frozen=True, eq=False)
class OverlapLines:
    """Lines across the overlap of a pupil with itself, at some frequencies.

    Parameters
    ----------
    frequency : array (points,)
        In any unit.
    place : array (points, n)
        Of each line along the shift.
    length : array (points, channels, n)
        Weighted lengths, which add up to the transfer in focus; those of an aberrated pupil are
        sums over its phase.
    """

    frequency: npt.NDArray
    place: npt.NDArray
    length: npt.NDArray

    def transfer(self, radius: Doubles) -> Complexes:
        """Return the transfer for blur discs of several radii, (points, channels, radii).

        Parameters
        ----------
        radius : array (points or 1, channels or 1, radii)
            Of the round pupil's blur disc in the unit of one over the frequency, signed, + behind
            the plane of focus.
        """
        points, channels, count = self.length.shape
        out = np.empty((points, channels, radius.shape[-1]), np.complex128)
        together = radius.shape[1]
        each = max(1, _CHUNK // (count * radius.shape[-1]))
        for start in range(0, points, each):
            part = slice(start, start + each)
            own = radius if len(radius) == 1 else radius[part]
            for channel in range(together):
                # Of all channels at once, where all are blurred alike.
                some = slice(None) if together == 1 else slice(channel, channel + 1)
                cycles = self.frequency[part, None] * own[:, channel]
                turn = (-2 * np.pi * cycles[:, None]).astype(self.place.dtype)
                phase = self.place[part, :, None] * turn
                length = self.length[part, some]
                out[part, some] = length @ np.cos(phase) + 1j * (length @ np.sin(phase))
        out[self.frequency == 0] = 1
        return out

    def single(self) -> OverlapLines:
        """Return the same in single precision, which takes half the memory."""
        length = np.complex64 if np.iscomplexobj(self.length) else np.float32
        return OverlapLines(
            self.frequency, self.place.astype(np.float32), self.length.astype(length)
        )


def overlap_lines(
    pupil: Pupil,
    frequency_x: Doubles,
    frequency_y: Doubles,
    *,
    shift: Doubles,
    spherical: float = 0.0,
    count: int = LINES,
) -> OverlapLines:
    """Return lines across the overlap of a pupil with itself.

    Parameters
    ----------
    pupil : Pupil
    frequency_x, frequency_y : array (points,)
        In any unit; that of its inverse is the unit of radii.
    shift : array (points, channels, waves)
        Reduced frequency of each wavelength; the transfer of a channel is their mean. All 0 leave
        the geometric disc.
    spherical : float
        Twice the spherical aberration in waves at the round pupil's edge, where frequencies are
        reduced ones; a radius as well.
    count : int
        Of lines for each frequency: LINES do for 10 cycles over the radius.
    """
    frequency, turn = np.hypot(frequency_x, frequency_y), np.arctan2(frequency_y, frequency_x)
    across = shift.shape[1] * shift.shape[2] * (_POINTS if spherical else 1)
    each = max(1, int(_CHUNK // (count * across)))
    found = []
    for start in range(0, len(frequency), each):
        part = slice(start, start + each)
        place, open_lengths, low, step = _lines(pupil, turn[part], shift[part], count)
        lengths: npt.NDArray[Any] = open_lengths
        if spherical:
            cycles = (frequency[part] * spherical)[:, None] * place
            lengths = open_lengths * _phased(place, low, open_lengths, cycles, shift[part])
        found.append((place, lengths.mean(axis=2) * step[:, None]))
    place, length = (np.concatenate(ones) for ones in zip(*found, strict=True))
    return OverlapLines(frequency, place, length)


def _lines(
    pupil: Pupil, turn: Doubles, shift: Doubles, count: int
) -> tuple[Doubles, Doubles, Doubles, Doubles]:
    """Return lines across the overlap: their places, lengths, beginnings and weights.

    Lengths and beginnings have the shape (points, channels, waves, n), the others (points, n).
    """
    half_shift = shift / 2
    least, most = pupil.extent(turn)
    closest = half_shift.min(axis=(1, 2))
    first, last = least + closest, np.maximum(most - closest, least + closest)
    # Closer together toward the ends, where a rounded outline is steep.
    angle = (np.arange(count) + 0.5) * (np.pi / count)
    reach = (last - first)[:, None] / 2
    place = (first + last)[:, None] / 2 - reach * np.cos(angle)
    step = reach * (np.sin(angle) * np.pi / count)
    at, aside = place[:, None, None], half_shift[..., None]
    turns = turn[:, None, None, None]
    low, high = pupil.chords(at + aside, turns)
    if half_shift.any():
        other_low, other_high = pupil.chords(at - aside, turns)
        low, high = np.maximum(low, other_low), np.minimum(high, other_high)
    length = np.maximum(high - low, 0)
    return place, length, low, step / (np.pi * pupil.area)


def _phased(
    place: Doubles, low: Doubles, length: Doubles, cycles: Doubles, shift: Doubles
) -> Complexes:
    """Return the mean over each line of what spherical aberration makes of its phase.

    Between rho^4 - rho^2 at p + s/2 and at p - s/2 lie 2 p.s (2 p^2 + s^2/2 - 1).
    """
    node, weight = np.polynomial.legendre.leggauss(_POINTS)
    at, cycles = place[:, None, None], cycles[:, None, None]
    rest = 2 * at * at + shift[..., None] ** 2 / 2 - 1
    total = np.zeros(low.shape, np.complex128)
    for one, share in zip((node + 1) / 2, weight / 2, strict=True):
        across = low + one * length
        # Single precision is a hundred thousandth of a turn here, and five times as fast.
        phase = (-2 * np.pi * cycles * (rest + 2 * across * across)).astype(np.float32)
        total.real += share * np.cos(phase)
        total.imag += share * np.sin(phase)
    return total
