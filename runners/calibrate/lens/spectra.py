"""Contrast through focus: how the detail of each block of a flat subject fares from frame to frame.

The subject itself is not known. What one frame shows of a pattern over what another one shows of
it depends on the lens alone, so only such ratios are kept: in each band of frequencies the frames'
spectra are, but for noise, one spectrum (of the subject) times one number a frame, and those
numbers, in proportion, are the contrast through focus, with its sign.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.interpolate import interp1d

from ....ground.types import Complexes, Doubles, Floats
from ...methods.align.align import chained
from ...methods.align.register import RegistrationError
from ...methods.picture.stack import InputStack
from ...methods.picture.tone import to_light
from .shots import LensCalibrationError, SteppedShots

#: Most blocks across and down, and edges of the bands of frequency, cycles per pixel. Coarser
#: detail blurs too slowly to tell, finer detail than this is aliased in most pictures.
_BLOCKS = 8, 5
_BANDS = np.geomspace(0.03, 0.40, 12)
_GREEN = 1
#: A block is this wide, or half of it in small pictures.
_BLOCK_PX = 128
_LEAST_PX = 128
#: Shares of the three frequencies that stand for a band: Gauss and Hermite's rule.
SHARES = np.array([1, 4, 1]) / 6
#: Spread of what a Hann window lets through, bins: root of the integral of its slope squared over
#: that of its square, over 2 pi.
_WINDOW_SPREAD = 1 / np.sqrt(3)
#: Rounds of aligning the blocks by the phases of their spectra.
_ROUNDS = 3


@dataclass(frozen=True, kw_only=True, eq=False)
class Spectra:
    """What the blocks of a flat subject show in every frame.

    Parameters
    ----------
    centres_px : array (blocks, 2)
        Where they are in the reference frame, x right and y down, from the picture's middle.
    frequencies : array (bands, 3)
        That stand for each band, with shares `SHARES`, cycles per pixel.
    gram : array (blocks, channels, bands, frames, frames)
        Sums over a band of the real part of one frame's spectrum times another's conjugate.
    samples : array (bands,)
        How many values of the spectrum a band has.
    scale : array (frames,)
        Size of the picture over that in the reference frame.
    scale_error : array (frames,)
        Its standard deviation.
    reference : int
    block_px : int
        Width of a block.
    """

    centres_px: Doubles
    frequencies: Doubles
    gram: Doubles
    samples: Doubles
    scale: Doubles
    scale_error: Doubles
    reference: int
    block_px: int


@dataclass(frozen=True, kw_only=True, eq=False)
class _Waves:
    """The frequencies of a block's spectrum that are used."""

    x: Doubles  # cycles per pixel
    y: Doubles
    keep: Any  # mask of the half plane that numpy.fft.rfft2 gives
    band: Any  # number of the band of each frequency


def spectra_of(shots: SteppedShots) -> Spectra:
    """Cut a stepped stack into blocks and compare their spectra from frame to frame.

    Raises
    ------
    LensCalibrationError
        The frames are too small, or cannot be laid on each other.
    """
    rows, cols = shots.shape
    if min(rows, cols) < _LEAST_PX:
        raise LensCalibrationError(
            f"frames of {cols}x{rows} pixels are too small; {_LEAST_PX} each way are needed"
        )
    size = _BLOCK_PX if min(rows, cols) >= 3 * _BLOCK_PX else _BLOCK_PX // 2
    reference, matrices = _laid(shots)
    places = _centres(shots.shape, matrices, size)
    waves = _waves(size)
    cuts = [
        _cut(to_light(np.asarray(frame), linear=shots.linear), places, matrix, size, waves)
        for frame, matrix in zip(shots.frames, matrices, strict=True)
    ]
    spectra = np.stack(cuts, axis=2)  # blocks, channels, frames, frequencies
    middle = (np.array([cols, rows]) - 1) / 2
    spectra, moved, error = _aligned(spectra, waves, (places - middle) / size)
    linear = matrices[:, :2, :2] + moved / size
    return Spectra(
        centres_px=places - middle,
        frequencies=_frequencies(spectra[:, _GREEN, reference], waves, size),
        gram=_gram(spectra, waves),
        samples=np.bincount(waves.band).astype(float),
        scale=(linear[:, 0, 0] + linear[:, 1, 1]) / 2,
        scale_error=error / size,
        reference=reference,
        block_px=size,
    )


def _laid(shots: SteppedShots) -> tuple[int, Doubles]:
    """Return the reference frame, and how each frame lies on it, (frames, 3, 3)."""
    stack = InputStack(shots.frames, {"encoding": "linear" if shots.linear else "srgb"})
    frames = range(len(shots.frames))
    try:
        found = chained(stack, frames, model="similarity", reorder=False)
    except (RegistrationError, ValueError) as error:
        raise LensCalibrationError(
            f"the frames do not show enough to be laid on each other: {error}"
        ) from error
    known = sorted(found.matrices)
    if known[0] > frames[-1] // 3 or known[-1] < frames[-1] - frames[-1] // 3:
        raise LensCalibrationError(
            f"only frames {known[0]} to {known[-1]} of {len(frames)} can be laid on each other; "
            "the subject needs more detail, or the steps are too long"
        )
    flat = np.array([found.matrices[frame].ravel() for frame in known])
    # A frame too blurred to be registered lies where its neighbours lead.
    line = np.polynomial.polynomial.polyfit(known, flat, 1)
    whole = line[0] + np.multiply.outer(np.arange(len(frames)), line[1])
    whole[known] = flat
    return found.reference, whole.reshape(-1, 3, 3)


def _centres(shape: tuple[int, int], matrices: Doubles, size: int) -> Doubles:
    """Return centres (x, y) of blocks that are within all frames, spread over the picture."""
    rows, cols = shape
    corners = np.array([[0, 0, 1], [cols - 1, 0, 1], [0, rows - 1, 1], [cols - 1, rows - 1, 1]]).T
    moved = (matrices @ corners)[:, :2] - corners[:2]
    margin = size / 2 + 2 + float(np.abs(moved).max())
    sides = []
    for length, most in zip((cols, rows), _BLOCKS, strict=True):
        room = length - 1 - 2 * margin
        if room < 0:
            raise LensCalibrationError(
                f"the picture moves by {np.abs(moved).max():.0f} pixels on the way, too far for "
                f"frames of {cols}x{rows}"
            )
        count = min(most, 1 + int(room // (0.75 * size)))
        sides.append(np.linspace(margin, length - 1 - margin, count) if count > 1 else [length / 2])
    x, y = np.meshgrid(*sides)
    return np.stack([x.ravel(), y.ravel()], axis=1)


def _waves(size: int) -> _Waves:
    y, x = np.meshgrid(np.fft.fftfreq(size), np.fft.rfftfreq(size), indexing="ij")
    radius = np.hypot(x, y)
    # In the first column of the half plane each frequency stands beside its own mirror image.
    keep = (radius >= _BANDS[0]) & (radius < _BANDS[-1]) & ((x > 0) | (y > 0))
    band = np.searchsorted(_BANDS, radius[keep], side="right") - 1
    return _Waves(x=x[keep], y=y[keep], keep=keep, band=band)


def _cut(image: Floats, places: Doubles, matrix: Doubles, size: int, waves: _Waves) -> Complexes:
    """Return the spectra of all blocks of a frame, (blocks, channels, frequencies).

    A block is cut at whole pixels; what is left of its place is a slope of phases.
    """
    window = np.hanning(size + 1)[:-1]
    window = (window[:, None] * window[None, :]).astype(np.float32)
    out = np.empty((len(places), 3, len(waves.x)), np.complex64)
    for number, place in enumerate(places):
        at = matrix[:2, :2] @ place + matrix[:2, 2] - (size - 1) / 2
        col, row = np.rint(at).astype(int)
        block = image[row : row + size, col : col + size]
        level = np.maximum((block * window[..., None]).sum(axis=(0, 1)) / window.sum(), 1e-6)
        shown = np.fft.rfft2((block / level - 1) * window[..., None], axes=(0, 1))
        late = at - (col, row)
        turned = np.exp(2j * np.pi * (late[0] * waves.x + late[1] * waves.y))
        out[number] = (shown[waves.keep] * turned[:, None]).T
    return out


def _aligned(
    spectra: Complexes, waves: _Waves, places: Doubles
) -> tuple[Complexes, Doubles, Doubles]:
    """Lay the blocks of each frame on each other, to a few hundredths of a pixel.

    Each block of a frame is compared with the mean of that block over the frames; the shifts are
    taken for an affine map over the picture.

    Parameters
    ----------
    spectra : array (blocks, channels, frames, frequencies)
    waves : _Waves
    places : array (blocks, 2)
        In widths of a block.

    Returns
    -------
    spectra
    moved : array (frames, 2, 2)
        Linear part of the map, px per width of a block.
    error : array (frames,)
        Standard deviation of the mean of its diagonal.
    """
    basis = np.concatenate([np.ones((len(places), 1)), places], axis=1)
    total = np.zeros((spectra.shape[2], 3, 2))
    now, error = spectra, np.zeros(len(total))
    for _ in range(_ROUNDS):
        normal, right, noise = _shift_equations(now[:, _GREEN], waves)
        for frame in range(len(total)):
            left = np.einsum("bi,bj,bkl->ikjl", basis, basis, normal[:, frame]).reshape(6, 6)
            ahead = np.einsum("bi,bk->ik", basis, right[:, frame]).ravel()
            inverse = np.linalg.pinv(left, hermitian=True)
            total[frame] += (inverse @ ahead).reshape(3, 2)
            spread = inverse[2, 2] + inverse[5, 5] + 2 * inverse[2, 5]
            error[frame] = np.sqrt(noise[frame] * spread) / 2
        shift = np.einsum("bi,fik->bfk", basis, total)
        slope = shift[..., :1] * waves.x + shift[..., 1:] * waves.y
        now = spectra * np.exp(2j * np.pi * slope).astype(np.complex64)[:, None]
    return now, np.swapaxes(total[:, 1:], 1, 2), error


def _shift_equations(spectra: Complexes, waves: _Waves) -> tuple[Doubles, Doubles, Doubles]:
    """Return the normal equations of each block's shift in each frame, and each frame's noise.

    A shift turns the phase in proportion to the frequency. Where blur has reversed the contrast
    both parts of the product change their sign, so their ratio stays.
    """
    blocks, frames = spectra.shape[:2]
    normal, right = np.zeros((blocks, frames, 2, 2)), np.zeros((blocks, frames, 2))
    squares = np.zeros(frames)
    wave = -2 * np.pi * np.stack([waves.x, waves.y])
    for number, block in enumerate(spectra):
        share = np.stack(
            [
                leading(np.real(part @ part.conj().T))[1]
                for part in (block[:, waves.band == band] for band in range(len(_BANDS) - 1))
            ],
            axis=1,
        )[:, waves.band]
        mean = (share * block).sum(axis=0)
        for frame, shown in enumerate(block):
            others = mean - share[frame] * shown
            product = shown * others.conj() / np.maximum(np.abs(others), 1e-12)
            design = wave * product.real
            normal[number, frame] = design @ design.T
            right[number, frame] = design @ product.imag
            squares[frame] += float(np.square(product.imag).mean())
    return normal, right, squares / blocks


def leading(gram: Doubles) -> tuple[Doubles, Doubles]:
    """Return eigenvalues, rising, and the vector of the largest, its sum not negative."""
    values, vectors = np.linalg.eigh(gram)
    vector = vectors[..., -1]
    sign = np.where(vector.sum(axis=-1, keepdims=True) < 0, -1.0, 1.0)
    return values, vector * sign


def _gram(spectra: Complexes, waves: _Waves) -> Doubles:
    """Return how alike the frames' spectra are in each band."""
    bands = len(_BANDS) - 1
    blocks, channels, frames = spectra.shape[:3]
    out = np.empty((blocks, channels, bands, frames, frames))
    for band in range(bands):
        part = spectra[..., waves.band == band]
        out[:, :, band] = np.real(part @ np.swapaxes(part.conj(), -1, -2))
    return out


def _frequencies(sharp: Complexes, waves: _Waves, size: int) -> Doubles:
    """Return three frequencies that stand for each band, (bands, 3); see `SHARES`.

    They have the mean and the spread of the frequencies whose power is in the band. Power comes
    into it through the window from `_WINDOW_SPREAD` bins away, and more of it from below, where
    natural pictures have more.
    """
    radius = np.hypot(waves.x, waves.y)
    power = np.square(np.abs(sharp)).mean(axis=0)
    bands = np.arange(len(_BANDS) - 1)
    mean = np.array([np.mean(power[waves.band == band]) for band in bands])
    middle = np.sqrt(_BANDS[1:] * _BANDS[:-1])
    # A line from band to band, and beyond the coarsest the line of the first two.
    power_law = interp1d(np.log(middle), np.log(mean), fill_value="extrapolate", assume_sorted=True)
    nodes, shares = np.polynomial.hermite_e.hermegauss(5)
    x, y = np.meshgrid(nodes * _WINDOW_SPREAD / size, nodes * _WINDOW_SPREAD / size)
    weight = np.multiply.outer(shares, shares)
    out = np.empty((len(bands), 3))
    for band in bands:
        own, own_power = radius[waves.band == band], power[waves.band == band]
        from_near = np.hypot(own[:, None, None] + x, y)
        there = np.exp(power_law(np.log(from_near)))
        there *= weight
        there *= (own_power / there.sum(axis=(1, 2)))[:, None, None]
        centre = (there * from_near).sum() / there.sum()
        spread = np.sqrt((there * np.square(from_near - centre)).sum() / there.sum())
        out[band] = centre + spread * np.array([-np.sqrt(3), 0, np.sqrt(3)])
    return out
