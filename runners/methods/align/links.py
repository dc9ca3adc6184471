"""Registrations of pairs of frames, and the surest path along them from one frame to all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csgraph, csr_matrix

from ....ground.types import Doubles
from ..picture.geometry import Matrix, displacement, similarity
from ..picture.stack import InputStack
from .register import BandPassed, Registration, RegistrationError, likely_shifts, register

# Below this two frames do not show the same thing, or the registration is wrong. Over the
# standard suite wrong ones seldom reach it, and right ones are above it.
LEAST_CORRELATION = 0.6
# From this correlation on a registration is believed at once. A pattern of lines, shifted by one
# line, reaches 0.89.
SURE_CORRELATION = 0.9
# A registration is contested by another that moves a corner elsewhere, by more than this distance
# in proxy px, and whose correlation falls short of 1 by no more than this factor times its own.
_CONTESTED = 1.15
_ELSEWHERE_PX = 5.0
# A frame is given up when so many of its likeliest neighbours do not match it.
_TRIES = 3
# Of paths that are equally sure, the one over fewer frames is taken.
_EACH_LINK = 0.003


@dataclass(frozen=True, eq=False, slots=True)
class Placed:
    """How frames lie on one of them.

    Parameters
    ----------
    matrices : mapping of int to array (3, 3)
        Takes (x, y) in that one to (x, y) in the frame, proxy px; near ones first.
    weakest : mapping of int to float
        Least correlation among the links that lead to each.
    """

    matrices: dict[int, Matrix]
    weakest: dict[int, float]

    def sure(self, row: int) -> bool:
        """Say whether only links that are sure lead to a frame."""
        return self.weakest[row] >= SURE_CORRELATION


class Links:
    """Registrations of pairs of frames, each done once. Frames are rows of a list here.

    Parameters
    ----------
    stack : InputStack
    frames : sequence of int
    model : {"translation", "similarity", "affine"}

    Attributes
    ----------
    problem : str
        Why the last pair that could not be linked failed.
    """

    def __init__(self, stack: InputStack, frames: Sequence[int], model: str) -> None:
        self.stack, self.frames, self.model = stack, frames, model
        self.problem = ""
        self._found: dict[tuple[int, int], Registration] = {}
        self._refused: dict[tuple[int, int], str] = {}
        self._ready: dict[int, BandPassed] = {}

    def _picture(self, row: int) -> BandPassed:
        if row not in self._ready:
            self._ready[row] = BandPassed(self.stack.small(self.frames[row]).luma)
        return self._ready[row]

    def link(self, first: int, second: int, start: Matrix) -> Matrix:
        """Return how one frame lies on another, proxy px.

        Parameters
        ----------
        first, second : int
        start : array (3, 3)
            A guess.

        Raises
        ------
        RegistrationError
            They do not match, or match equally well in two ways.
        """
        if first > second:
            return _inverse(self.link(second, first, _inverse(start)))
        pair = first, second
        if pair not in self._found and pair not in self._refused:
            try:
                self._found[pair] = self._registered(first, second, start)
            except RegistrationError as error:
                names = " and ".join(str(self.frames[row]) for row in pair)
                self._refused[pair] = f"frames {names} {error}"
        if pair in self._refused:
            self.problem = self._refused[pair]
            raise RegistrationError(self.problem)
        return self._found[pair].matrix

    def _registered(self, first: int, second: int, start: Matrix) -> Registration:
        """Register from a guess; unless that is sure, from all likely shifts."""
        pair = self._picture(first), self._picture(second)
        fits = [register(*pair, model=self.model, start=start)]
        if fits[0].correlation >= SURE_CORRELATION:
            return fits[0]
        fits += [register(*pair, model=self.model, start=shift) for shift in likely_shifts(*pair)]
        best = max(fits, key=lambda fit: fit.correlation)
        if best.correlation < LEAST_CORRELATION:
            raise RegistrationError(
                f"do not match: correlation {best.correlation:.2f} after alignment, at least "
                f"{LEAST_CORRELATION} needed"
            )
        elsewhere = max(
            (
                fit.correlation
                for fit in fits
                if displacement(fit.matrix, best.matrix, pair[0].shape) > _ELSEWHERE_PX
            ),
            default=-1.0,
        )
        lacking = _CONTESTED * (1 - best.correlation)
        if best.correlation < SURE_CORRELATION and 1 - elsewhere < lacking:
            raise RegistrationError(
                f"match in more than one way: correlation {best.correlation:.2f} in one and "
                f"{elsewhere:.2f} in another"
            )
        return best

    def join(self, root: int, distance: Doubles, shifts: Doubles) -> None:
        """Link frames to those already linked to one, the likeliest pair first.

        A pair that does not match is tried no more; a frame whose likeliest pairs all fail is
        given up.

        Parameters
        ----------
        root : int
        distance : array (frames, frames)
            How unlikely neighbours two frames are.
        shifts : array (frames, frames, 2)
            Guesses how far (x, y) one is shifted against the other, proxy px.
        """
        count = len(distance)
        open_pairs = distance + np.diag(np.full(count, np.inf))
        joined, tries = [root], np.zeros(count, dtype=int)
        while left := [row for row in range(count) if row not in joined and tries[row] < _TRIES]:
            candidates = open_pairs[np.ix_(joined, left)]
            if not np.isfinite(candidates).any():
                break
            place = np.unravel_index(np.argmin(candidates), candidates.shape)
            parent, child = joined[place[0]], left[place[1]]
            open_pairs[parent, child] = np.inf
            tries[child] += 1
            x, y = shifts[parent, child]
            with suppress(RegistrationError):
                self.link(parent, child, similarity(x=x, y=y))
                joined.append(child)

    def placed_from(self, root: int) -> Placed:
        """Return how the frames lie that links lead to from one."""
        return surest_ways(self._found, root, len(self.frames))


def surest_ways(links: Mapping[tuple[int, int], Registration], root: int, count: int) -> Placed:
    """Return how the frames lie that links lead to from one of them, each by the surest path.

    The variance of what a registration finds grows with noise over signal, for a correlation r
    with 1 / r^2 - 1, and adds up along a chain: the shortest path by that measure is taken.

    Parameters
    ----------
    links : mapping of (int, int) to Registration
        From the lower to the higher of two frames.
    root : int
    count : int
        How many frames there are.
    """
    doubt = np.zeros((count, count))
    for pair, one in links.items():
        doubt[pair] = one.correlation**-2 - 1 + _EACH_LINK
    far, before = csgraph.dijkstra(
        csr_matrix(doubt), directed=False, indices=root, return_predecessors=True
    )
    matrices, weakest = {root: np.eye(3)}, {root: 1.0}
    for row in np.argsort(far, kind="stable").tolist():
        if row != root and np.isfinite(far[row]):
            parent = int(before[row])
            step = links[min(parent, row), max(parent, row)]
            matrix = step.matrix if parent < row else _inverse(step.matrix)
            matrices[row] = matrix @ matrices[parent]
            weakest[row] = min(weakest[parent], step.correlation)
    return Placed(matrices, weakest)


def _inverse(matrix: Matrix) -> Matrix:
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)
