"""Which frames lie next to each other in depth, told from where each one is sharp.

A handheld burst reverses and repeats, so the order of time is not the order of depth. Frames
that are neighbours in depth are sharp in much the same places; that is enough to chain them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.sparse.csgraph import breadth_first_order, minimum_spanning_tree

from runners.methods.register import translation
from runners.methods.stack import Stack, binned

Ints = npt.NDArray[np.intp]
_CELLS_DOWN = 8
# The order given is kept unless another makes the path shorter by more than this factor.
_GIVEN_UNLESS = 1.2


def sharpness_profiles(stack: Stack, frames: Sequence[int]) -> npt.NDArray[np.float64]:
    """Describe each frame by where it is sharp, whatever its gain.

    Returns
    -------
    ndarray, shape (frames, cells)
        Logarithm of the sharpness in coarse cells, less the mean of the frame and of the cell.
    """
    base = stack.small(frames[len(frames) // 2]).light.mean(axis=2)
    shifts, maps = [], []
    for frame in frames:
        small = stack.small(frame)
        shifts.append(translation(base, small.light.mean(axis=2), upsample=1)[1::-1, 2])
        maps.append(ndimage.shift(small.sharpness, -shifts[-1], order=0, mode="nearest"))
    # Only what every frame shows is compared, but never less than the middle half.
    reach = np.abs(np.array(shifts)).max(axis=0).astype(int) + 1
    down, right = np.minimum(reach, np.array(base.shape) // 4)
    cells = max(1, (base.shape[0] - 2 * down) // _CELLS_DOWN)
    inner = (slice(down, base.shape[0] - down), slice(right, base.shape[1] - right))
    values = np.stack([binned(one[inner], cells) for one in maps]).reshape(len(frames), -1)
    level = np.log(values + 0.1 * values.mean(axis=1, keepdims=True) + 1e-6).astype(float)
    level -= level.mean(axis=1, keepdims=True)
    level -= level.mean(axis=0, keepdims=True)
    return level


def unlikeness(profiles: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return 1 minus the correlation of every pair of profiles, at least a little above 0."""
    size = np.sqrt((profiles**2).sum(axis=1)) + 1e-12
    alike = (profiles @ profiles.T) / np.outer(size, size)
    return np.clip(1 - alike, 1e-6, None)


def depth_order(profiles: npt.NDArray[np.float64]) -> Ints:
    """Put frames in order of depth; which end is near cannot be told from sharpness.

    The order is the shortest path through all frames, found by reversing and moving parts of a
    first guess while that helps (2-opt and or-opt). The guess is the second eigenvector of the
    graph that joins frames which are sharp in the same places (spectral seriation: Atkins, Boman
    and Hendrickson, SIAM J. Computing 28, 297, 1998).
    """
    count = len(profiles)
    if count < 3:
        return np.arange(count)
    distance = unlikeness(profiles)
    nearest = np.sort(distance + 9 * np.eye(count), axis=1)[:, 0]
    weight = np.exp(-distance / (2 * np.median(nearest))) + 1e-9
    np.fill_diagonal(weight, 0)
    _, vectors = np.linalg.eigh(np.diag(weight.sum(axis=1)) - weight)
    path = _shortened(np.argsort(vectors[:, 1], kind="stable"), distance)
    given = np.arange(count)
    if _length(given, distance) <= _GIVEN_UNLESS * _length(path, distance):
        return given
    return path if path[0] < path[-1] else path[::-1]


def _shortened(path: Ints, distance: npt.NDArray[np.float64]) -> Ints:
    """Shorten an open path by reversing parts of it and by moving single frames."""
    best, length = path, _length(path, distance)
    improved = True
    while improved:
        improved = False
        for other in _variants(best):
            if (candidate := _length(other, distance)) < length - 1e-9:
                best, length, improved = other, candidate, True
    return best


def _variants(path: Ints) -> Iterator[Ints]:
    count = len(path)
    for first in range(count):
        for last in range(first + 1, count):
            yield np.concatenate([path[:first], path[first : last + 1][::-1], path[last + 1 :]])
    for first in range(count):
        rest = np.delete(path, first)
        for place in range(count):
            yield np.insert(rest, place, path[first])


def _length(path: Ints, distance: npt.NDArray[np.float64]) -> float:
    return float(distance[path[:-1], path[1:]].sum())


def neighbour_tree(profiles: npt.NDArray[np.float64], root: int) -> list[tuple[int, int]]:
    """Join every frame to its likeliest neighbour: pairs (parent, child), parents first.

    Parameters
    ----------
    root : int
        Row of the frame the tree starts from.
    """
    tree = minimum_spanning_tree(np.triu(unlikeness(profiles), 1))
    order, parents = breadth_first_order(tree, root, directed=False)
    return [(int(parents[child]), int(child)) for child in order[1:]]
