"""Fusion of undecimated wavelet coefficients."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pywt

from ....ground.types import Floats, Image, Labels
from ..align.aligned import AlignedFrames
from ..picture.neighbours import largest_about
from ..picture.pyramid import wavelet_levels
from .blocks import majority_label
from .fused import Fused

WAVELET = "db4"
LEVELS = 5
WINDOW = 3


def wavelet_maximum(
    aligned: AlignedFrames, *, wavelet: str = WAVELET, levels: int = LEVELS, window: int = WINDOW
) -> Fused:
    """Take every wavelet coefficient from the frame whose coefficients around it are largest.

    The activity is the largest absolute coefficient (of luma) in a window; each band's map of
    choices is cleaned by a majority vote in the same window; the coarsest level is the mean. The
    transform is not decimated, so that the result does not depend on where the grid falls. Holds
    one transform of three colours, however many frames there are.

    References
    ----------
    H. Li, B. S. Manjunath and S. K. Mitra, "Multisensor image fusion using the wavelet
    transform", Graphical Models and Image Processing 57, 235 (1995). Window, vote and mean from
    memory; wavelet and number of levels chosen here; the undecimated transform after O.
    Rockinger, ICIP 1997 (from memory).
    """
    levels = wavelet_levels(aligned.shape, levels)
    labels = _choices(aligned, wavelet, levels, window)
    shape = _padded(aligned.shape, levels)
    kept = np.zeros((3, 1 + 3 * levels, *shape), dtype=np.float32)
    weights = np.full(shape, 1e-6, dtype=np.float32)
    for index, frame in enumerate(aligned):
        top = _fit(np.maximum(frame.covered, np.float32(1e-4)), shape)
        chosen = [label == index for label in labels]
        for channel in range(3):
            bands = _transform(frame.image[..., channel], wavelet, levels)
            kept[channel, 0] += next(bands) * top
            for number, band in enumerate(bands):
                np.copyto(kept[channel, 1 + number], band, where=chosen[number])
        weights += top
    kept[:, 0] /= weights
    height, width = aligned.shape
    planes = [_inverse(kept[channel], wavelet)[:height, :width] for channel in range(3)]
    return Fused(np.stack(planes, axis=-1))


def _choices(aligned: AlignedFrames, wavelet: str, levels: int, window: int) -> list[Labels]:
    """Return, for every band, the position of the frame to take each coefficient from."""
    shape = _padded(aligned.shape, levels)
    best = np.full((3 * levels, *shape), -1, dtype=np.float32)
    labels = np.full(best.shape, aligned.reference_position, dtype=np.int16)
    for index, frame in enumerate(aligned.greys()):
        covered = _fit(frame.covered, shape)
        bands = _transform(frame.image, wavelet, levels)
        next(bands)
        for number, band in enumerate(bands):
            activity = largest_about(np.abs(band), window)
            better = (activity > best[number]) & covered
            np.copyto(labels[number], index, where=better)
            np.copyto(best[number], activity, where=better)
    return [majority_label(label, len(aligned), window) for label in labels]


def _padded(shape: tuple[int, int], levels: int) -> tuple[int, int]:
    unit = 1 << levels
    rows, columns = (-(-(side + 2 * unit) // unit) * unit for side in shape)
    return rows, columns


def _fit(image: Image, shape: tuple[int, int]) -> Image:
    """Continue a picture by mirroring to a size the transform takes."""
    extra = [(0, wanted - own) for wanted, own in zip(shape, image.shape, strict=True)]
    return np.pad(image, extra, mode="symmetric")


def _transform(plane: Floats, wavelet: str, levels: int) -> Iterator[Floats]:
    """Yield the coarsest approximation, then the bands from coarse to fine."""
    padded = _fit(plane, _padded(plane.shape, levels))
    coefficients = pywt.swt2(padded, wavelet, levels, trim_approx=True, norm=True)
    yield coefficients[0]
    for level in coefficients[1:]:
        yield from level


def _inverse(bands: Floats, wavelet: str) -> Floats:
    levels = [tuple(bands[start : start + 3]) for start in range(1, len(bands), 3)]
    return np.asarray(pywt.iswt2([bands[0], *levels], wavelet, norm=True), dtype=np.float32)
