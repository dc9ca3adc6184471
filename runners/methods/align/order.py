"""Which frames lie next to each other in depth, judged by how alike they look.

A handheld burst reverses and repeats, so the order of time is not the order of depth. Frames
that are neighbours in depth are sharp in much the same places; that is enough to chain them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from ....ground.srgb import LUMA
from ....ground.types import Bools, Doubles, Indices
from ..picture.stack import InputStack, binned
from .register import CrossCorrelation, band_pass

_CELLS_DOWN = 8
# The order given is kept unless another makes the path shorter by more than this factor.
_GIVEN_UNLESS = 1.2
# Highlights this many times brighter than the median frame are cut: a droplet's gleam outshines
# all else, and as a blur disc it looks like no other frame.
_GLEAM = 4.0
# A change of size that moves the corner by this much over the whole stack is no accident; proxy px.
TELLING_PX = 2.0
# From frame to frame a change smaller than this is lost in the errors of registration; proxy px.
_LEAST_STEP_PX = 0.1
# Share that a step of the mean change of size adds to the distance of two frames.
_SIZE_COUNTS = 0.3
# Frames further apart in time have moved further too: a slight doubt, 10 % per frame.
_LATER = 0.1


@dataclass(frozen=True, eq=False, slots=True)
class Likeness:
    """How alike every two frames are, and how far one is shifted against the other.

    Parameters
    ----------
    alike : array (n, n)
        Largest correlation of the two small copies over all shifts, -1..1. What only one of them
        shows counts against it, so frames that are far apart sideways are unlike too.
    shifts : array (n, n, 2)
        Where (x, y) of the first shows in the second, less (x, y), thumb px.
    """

    alike: Doubles
    shifts: Doubles


def likeness(stack: InputStack, frames: Sequence[int]) -> Likeness:
    """Correlate the small copies of all pairs of frames."""
    thumbs = [stack.small(frame).light @ LUMA for frame in frames]
    top = _GLEAM * float(np.median(thumbs))
    pairs = CrossCorrelation(np.stack([band_pass(np.minimum(thumb, top)) for thumb in thumbs]))
    energy = np.sqrt((pairs.bands.astype(float) ** 2).sum(axis=(1, 2))) + 1e-12
    count = len(frames)
    alike, shifts = np.eye(count), np.zeros((count, count, 2))
    for first in range(count - 1):
        surfaces = pairs.surfaces(first, slice(first + 1, None))
        for second, surface in enumerate(surfaces, first + 1):
            row, column = np.unravel_index(np.argmax(surface), surface.shape)
            shift = pairs.shift(int(row), int(column))
            value = float(surface[row, column]) / (energy[first] * energy[second])
            alike[first, second] = alike[second, first] = value
            shifts[first, second], shifts[second, first] = shift, np.negative(shift)
    return Likeness(alike, shifts)


def sharpness_profiles(stack: InputStack, frames: Sequence[int], shifts: Doubles) -> Doubles:
    """Describe each frame by where it is sharp, whatever its gain.

    Parameters
    ----------
    shifts : array (frames, 2)
        Where (x, y) of a common picture shows in each frame, less (x, y), thumb px.

    Returns
    -------
    array (frames, cells)
        Logarithm of the sharpness in coarse cells, less the mean of the frame and of the cell.
    """
    maps = [
        ndimage.shift(stack.small(frame).sharpness, -shift[::-1], order=0, mode="nearest")
        for frame, shift in zip(frames, shifts, strict=True)
    ]
    # Only what every frame shows is compared, but never less than the middle half.
    shape = maps[0].shape
    reach = np.abs(shifts).max(axis=0).astype(int)[::-1] + 1
    down, right = np.minimum(reach, np.array(shape) // 4)
    inner = (slice(down, shape[0] - down), slice(right, shape[1] - right))
    cells = max(1, (shape[0] - 2 * down) // _CELLS_DOWN)
    values = np.stack([binned(one[inner], cells) for one in maps]).reshape(len(frames), -1)
    level = np.log(values + 0.1 * values.mean(axis=1, keepdims=True) + 1e-6).astype(float)
    level -= level.mean(axis=1, keepdims=True)
    level -= level.mean(axis=0, keepdims=True)
    return level


def unlikeness(profiles: Doubles, alike: Doubles) -> Doubles:
    """Say how unlike two frames are: in where they are sharp, in what they show, and in time.

    Parameters
    ----------
    profiles : array (frames, cells)
        From `sharpness_profiles`.
    alike : array (frames, frames)
        Correlation of the pictures themselves.

    Returns
    -------
    array (frames, frames)
        Product of the two lacks of correlation, a little larger for frames that are not next to
        each other in the order given; always > 0.
    """
    size = np.sqrt((profiles**2).sum(axis=1)) + 1e-12
    sharp_alike = (profiles @ profiles.T) / np.outer(size, size)
    count = len(profiles)
    gap = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    later = 1 + _LATER * np.maximum(gap - 1, 0)
    return np.asarray(np.maximum(1 - sharp_alike, 0.01) * np.maximum(1 - alike, 0.003) * later)


def depth_order(distance: Doubles, guesses: Sequence[Indices] = ()) -> Indices:
    """Put frames in order of depth; their likeness does not say which end is near.

    The order is the shortest path through all frames, found by reversing and moving parts of a
    first guess while that helps (2-opt and or-opt). Where there is no better, the guess is the
    second eigenvector of the graph that joins frames which are sharp in the same places (spectral
    seriation: Atkins, Boman and Hendrickson, SIAM J. Computing 28, 297, 1998).

    Parameters
    ----------
    distance : array (frames, frames)
        From `unlikeness`.
    guesses : sequence of array (frames,)
        Orders to begin from.
    """
    count = len(distance)
    if count < 3:
        return np.arange(count)
    paths = [_shortened(guess, distance) for guess in guesses or [_seriated(distance)]]
    path = min(paths, key=lambda one: _length(one, distance))
    given = np.arange(count)
    if _length(given, distance) <= _GIVEN_UNLESS * _length(path, distance):
        return given
    return path if path[0] < path[-1] else path[::-1]


def _seriated(distance: Doubles) -> Indices:
    nearest = np.sort(distance + np.diag(np.full(len(distance), np.inf)), axis=1)[:, 0]
    weight = np.exp(-distance / (2 * np.median(nearest))) + 1e-9
    np.fill_diagonal(weight, 0)
    _, vectors = np.linalg.eigh(np.diag(weight.sum(axis=1)) - weight)
    return np.argsort(vectors[:, 1], kind="stable")


def sized_order(distance: Doubles, growth_px: Doubles, sure: Bools, order: Indices) -> Indices:
    """Put frames in order of depth, near first, by likeness and by the size of the subject.

    A camera that advances sees the subject larger and is focused deeper. Either clue may mislead:
    the scale of a frame out of focus is uncertain, and a flat subject looks alike on both sides of
    its focus. So a step counts as long that is long by both.

    Parameters
    ----------
    distance : array (frames, frames)
        From `unlikeness`.
    growth_px : array (frames,)
        How much further out a corner of the picture lies than in the reference frame, proxy px.
    sure : array (frames,) of bool
        Frames whose growth is sure; they say which end is near.
    order : array (frames,)
        A guess.
    """
    if len(order) < 3:
        return order
    step = max(float(np.ptp(growth_px)) / (len(order) - 1), _LEAST_STEP_PX)
    apart = np.abs(np.subtract.outer(growth_px, growth_px)) / step
    by_size = np.argsort(growth_px, kind="stable")
    path = depth_order(distance * (1 + _SIZE_COUNTS * apart**2), [order, by_size])
    sizes = growth_px[path][sure[path]]
    shrinks = sizes @ (np.arange(len(sizes)) - (len(sizes) - 1) / 2) < 0
    return path[::-1] if shrinks and np.ptp(sizes) > TELLING_PX else path


def _shortened(path: Indices, distance: Doubles) -> Indices:
    """Shorten an open path by reversing parts of it and by moving single frames."""
    best, length = path, _length(path, distance)
    improved = True
    while improved:
        improved = False
        for other in _variants(best):
            if (candidate := _length(other, distance)) < length * (1 - 1e-9):
                best, length, improved = other, candidate, True
    return best


def _variants(path: Indices) -> Iterator[Indices]:
    count = len(path)
    for first in range(count):
        for last in range(first + 1, count):
            yield np.concatenate([path[:first], path[first : last + 1][::-1], path[last + 1 :]])
    for first in range(count):
        rest = np.delete(path, first)
        for place in range(count):
            yield np.insert(rest, place, path[first])


def _length(path: Indices, distance: Doubles) -> float:
    return float(distance[path[:-1], path[1:]].sum())
