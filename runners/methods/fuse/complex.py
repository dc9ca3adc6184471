"""Fusion of complex wavelet coefficients, with colours taken back from the frames."""

from __future__ import annotations

import numpy as np

from ....ground.srgb import LUMA
from ....ground.types import Bools, Floats, Image, Labels
from ..align.aligned import AlignedFrames
from ..picture.complex_wavelet import Transform, forward, inverse
from ..picture.pyramid import wavelet_levels
from .blocks import majority_label
from .fused import Fused

LEVELS = 5
VOTE = 3


def complex_wavelet_maximum(aligned: AlignedFrames, *, levels: int = LEVELS) -> Fused:
    """Take every complex coefficient of luma from the frame where its modulus is largest.

    Where two of the three bands of a level agree on a frame the third goes with them, then the
    neighbours vote; the approximation is the mean. Each pixel of the result is that of the frame
    whose luma comes closest to the merged luma, so no colour appears that no frame has.

    References
    ----------
    B. Forster, D. Van De Ville, J. Berent, D. Sage and M. Unser, "Complex wavelets for extended
    depth-of-field: a new method for the fusion of multichannel microscopy images", Microscopy
    Research and Technique 65, 33 (2004). Largest modulus, checks between bands and neighbours,
    and colours from the frames as published; filter length 6, the 3 x 3 vote and the mean of the
    approximation from memory.
    """
    levels = wavelet_levels(aligned.shape, levels)
    labels = [_agreed(bands, len(aligned)) for bands in _largest(aligned, levels)]
    grey = inverse(_collected(aligned, levels, labels))[: aligned.shape[0], : aligned.shape[1]]
    return Fused(recoloured(aligned, grey))


def _padded(plane: Image, levels: int) -> Image:
    """Continue a picture by mirroring, so that its two ends meet smoothly when it is repeated."""
    unit = 1 << levels
    extra = [(0, -side % unit + unit) for side in plane.shape]
    return np.pad(plane, extra, mode="symmetric")


def _covered(covered: Bools, levels: int) -> list[Bools]:
    """Say, level by level, which coefficients start on a covered pixel."""
    padded = _padded(covered, levels)
    return [padded[:: 2 << level, :: 2 << level].astype(bool) for level in range(levels)]


def _largest(aligned: AlignedFrames, levels: int) -> list[list[Labels]]:
    """Return for every level and band the position of the frame of the largest modulus."""
    labels: list[list[Labels]] = []
    best: list[list[Floats]] = []
    for index, frame in enumerate(aligned.greys()):
        transform = forward(_padded(frame.image, levels), levels)
        shown = _covered(frame.covered, levels)
        if not labels:
            start = aligned.reference_position
            labels = [
                [np.full(band.shape, start, np.int16) for band in bands]
                for bands in transform.details
            ]
            best = [
                [np.full(band.shape, -1, np.float32) for band in bands]
                for bands in transform.details
            ]
        for level, bands in enumerate(transform.details):
            for number, band in enumerate(bands):
                modulus = np.abs(band)
                better = (modulus > best[level][number]) & shown[level]
                labels[level][number][better] = index
                best[level][number][better] = modulus[better]
    return labels


def _agreed(bands: list[Labels], count: int) -> list[Labels]:
    """Let two bands outvote the third, then the neighbours each one."""
    first, second, third = bands
    agreed = [
        np.where(second == third, second, first),
        np.where(first == third, first, second),
        np.where(first == second, first, third),
    ]
    return [majority_label(label, count, VOTE) for label in agreed]


def _collected(aligned: AlignedFrames, levels: int, labels: list[list[Labels]]) -> Transform:
    """Gather the chosen coefficients, and the mean of the approximations."""
    merged: Transform | None = None
    for index, frame in enumerate(aligned.greys()):
        transform = forward(_padded(frame.image, levels), levels)
        if merged is None:
            merged = transform
            continue
        approximation = merged.approximation
        approximation += (transform.approximation - approximation) / np.float32(index + 1)
        for own, new, chosen in zip(merged.details, transform.details, labels, strict=True):
            for band, other, label in zip(own, new, chosen, strict=True):
                np.copyto(band, other, where=label == index)
    if merged is None:
        raise ValueError("no frame to merge")
    return merged


def recoloured(aligned: AlignedFrames, grey: Floats) -> Floats:
    """Take each pixel from the frame whose luma comes closest to a merged luma."""
    out = np.zeros((*aligned.shape, 3), dtype=np.float32)
    nearest = np.full(aligned.shape, np.inf, dtype=np.float32)
    for position, frame in enumerate(aligned):
        distance = np.abs(frame.image @ LUMA - grey)
        if position != aligned.reference_position:
            distance[~frame.covered] = np.inf
        closer = distance < nearest
        out[closer] = frame.image[closer]
        nearest[closer] = distance[closer]
    return out
