"""Align stage: how every frame lies on the reference frame."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from runners.methods.geometry import Coordinates, Matrix, for_full, scale_of, similarity, turn_of
from runners.methods.order import (
    Ints,
    Reals,
    depth_order,
    likeness,
    sharpness_profiles,
    unlikeness,
)
from runners.methods.register import Picture, RegistrationError, register, translation
from runners.methods.stack import Stack

# A frame that needs more than this has lost the subject, or its registration is wrong.
LIMIT_SCALE = 0.25
LIMIT_TURN = 0.2  # rad
LEAST_CORRELATION = 0.3
# A frame is left out when its likeliest neighbours do not match; with too few left, all fails.
_TRIES = 3
_LEAST_SHARE = 0.5
# A change of scale that moves the corner by this much over the whole stack is no accident.
TELLING_PX = 2.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Alignment:
    """Where every used frame lies.

    Parameters
    ----------
    reference : int
        Frame whose geometry the result takes.
    used : tuple of int
        Frames in order of depth, near or far first.
    matrices : mapping of int to ndarray (3, 3)
        Takes (x, y) in the reference frame to (x, y) in the frame.
    places : callable, optional
        Gives the dense form of a frame's transform, shape (H, W, 2) as (row, column), NaN where
        the frame does not show the point; it then replaces the matrix.
    """

    reference: int
    used: tuple[int, ...]
    matrices: dict[int, Matrix] = field(default_factory=dict)
    places: Callable[[int], Coordinates] | None = None


AlignStage = Callable[[Stack, Sequence[int]], Alignment]


def no_alignment(stack: Stack, frames: Sequence[int]) -> Alignment:
    """Take the frames as they are, in the order given."""
    middle = frames[(len(frames) - 1) // 2]
    return Alignment(
        reference=middle, used=tuple(frames), matrices=dict.fromkeys(frames, np.eye(3))
    )


def chained(
    stack: Stack,
    frames: Sequence[int],
    *,
    model: str = "similarity",
    reorder: bool = True,
    reference: int | None = None,
) -> Alignment:
    """Register neighbours in depth, and multiply the transforms up to the reference.

    Parameters
    ----------
    model : {"translation", "similarity", "affine"}
    reorder : bool
        Recover the order of depth first; else the frames are taken to be in order.
    reference : int, optional
        Frame whose geometry is kept; the middle one in depth otherwise.

    A frame that matches none of its likeliest neighbours, or comes out with a scale or rotation
    that no burst has, is left out.

    Raises
    ------
    RegistrationError
        When less than half of the frames can be brought onto each other.
    """
    frames = list(frames)
    if len(frames) == 1:
        return no_alignment(stack, frames)
    alike = likeness(stack, frames)
    middle = (len(frames) - 1) // 2
    profiles = sharpness_profiles(stack, frames, alike.shifts[middle])
    distance = unlikeness(profiles, alike.alike)
    order = depth_order(distance) if reorder else np.arange(len(frames))
    root = (
        frames.index(reference) if reference in frames else _middle_of_focus(stack, frames, order)
    )
    links = _Links(stack, frames, model)
    placed = _grown(links, root, distance, alike.shifts * (stack.thumb_bin / stack.proxy_bin))
    order = np.array([row for row in order if row in placed])
    if reorder:
        order = in_depth_order(order, placed, stack)
    placed = _rechained(links, root, order, placed)
    placed = _believable(placed)
    _enough(placed, frames, "the others came out with an impossible scale or rotation")
    order = np.array([row for row in order if row in placed])
    if reorder:
        order = in_depth_order(order, placed, stack)
    return Alignment(
        reference=frames[root],
        used=tuple(frames[row] for row in order),
        matrices={frames[row]: for_full(own, stack.proxy_bin) for row, own in placed.items()},
    )


def _believable(matrices: dict[int, Matrix]) -> dict[int, Matrix]:
    """Leave out what has a scale or a rotation that no burst has."""
    return {
        row: matrix
        for row, matrix in matrices.items()
        if abs(np.log(scale_of(matrix))) <= LIMIT_SCALE and abs(turn_of(matrix)) <= LIMIT_TURN
    }


def _enough(placed: Mapping[int, Matrix], frames: Sequence[int], problem: str) -> None:
    if len(placed) < max(min(2, len(frames)), _LEAST_SHARE * len(frames)):
        raise RegistrationError(
            f"only {len(placed)} of {len(frames)} frames could be aligned: {problem}"
        )


def _middle_of_focus(stack: Stack, frames: Sequence[int], order: Ints) -> int:
    """Return the row that has half of the stack's sharpness before it in depth.

    Frames before and behind the subject show nothing sharp; a reference among them would be a
    poor one, as every other frame hangs on it by a chain of blurred pictures.
    """
    sharp = np.array([stack.small(frame).sharpness.mean() for frame in frames])
    level = np.array([stack.small(frame).luma.mean() for frame in frames])
    weight = sharp / np.maximum(level, 1e-6)
    weight = (weight - weight.min() + 1e-3 * weight.max())[order]
    before = np.cumsum(weight) - weight / 2
    return int(order[np.argmin(np.abs(before - weight.sum() / 2))])


Step = Callable[[int, int, Matrix], Matrix]


class _Links:
    """Registrations of pairs of frames, each done once. Frames are rows of a list here."""

    def __init__(self, stack: Stack, frames: Sequence[int], model: str) -> None:
        self.stack, self.frames, self.model = stack, frames, model
        self._done: dict[tuple[int, int], Matrix] = {}
        self._ready: dict[int, Picture] = {}

    def _picture(self, row: int) -> Picture:
        if row not in self._ready:
            self._ready[row] = Picture(self.stack.small(self.frames[row]).luma)
        return self._ready[row]

    def __call__(self, first: int, second: int, start: Matrix) -> Matrix:
        """Return the transform from one row to another, proxy px."""
        if (second, first) in self._done:
            return np.asarray(np.linalg.inv(self._done[second, first]))
        if (first, second) not in self._done:
            pictures = self._picture(first), self._picture(second)
            names = self.frames[first], self.frames[second]
            self._done[first, second] = _matched(*pictures, names, self.model, start)
        return self._done[first, second]


def _grown(links: Step, root: int, distance: Reals, shifts: Reals) -> dict[int, Matrix]:
    """Join frames to those already placed, the likeliest pair first (a spanning tree).

    A pair that does not match is tried no more; a frame whose likeliest pairs all fail is left
    out.
    """
    count = len(distance)
    open_pairs = distance + np.diag(np.full(count, np.inf))
    placed, tries, problem = {root: np.eye(3)}, np.zeros(count, dtype=int), ""
    while reachable := [row for row in range(count) if row not in placed and tries[row] < _TRIES]:
        known = list(placed)
        candidates = open_pairs[np.ix_(known, reachable)]
        if not np.isfinite(candidates).any():
            break
        place = np.unravel_index(np.argmin(candidates), candidates.shape)
        parent, child = known[place[0]], reachable[place[1]]
        open_pairs[parent, child] = np.inf
        tries[child] += 1
        start = similarity(x=shifts[parent, child, 0], y=shifts[parent, child, 1])
        try:
            placed[child] = links(parent, child, start) @ placed[parent]
        except RegistrationError as error:
            problem = str(error)
    _enough(placed, range(count), problem)
    return placed


def _rechained(links: Step, root: int, order: Ints, placed: dict[int, Matrix]) -> dict[int, Matrix]:
    """Chain the frames once more, now that their order of depth is known."""
    chained = {root: np.eye(3)}
    here = int(np.flatnonzero(order == root)[0])
    onward = [(order[place], order[place + 1]) for place in range(here, len(order) - 1)]
    back = [(order[place], order[place - 1]) for place in range(here, 0, -1)]
    for parent, child in onward + back:
        guess = placed[child] @ np.linalg.inv(placed[parent])
        try:
            step = links(parent, child, guess)
        except RegistrationError:
            step = guess
        chained[child] = step @ chained[parent]
    return chained


def direct(
    stack: Stack, frames: Sequence[int], *, model: str = "similarity", reference: int | None = None
) -> Alignment:
    """Register every frame with the reference frame at once; else as `chained`."""
    frames = list(frames)
    base = reference if reference in frames else frames[(len(frames) - 1) // 2]
    matrices, problem = {base: np.eye(3)}, "impossible scale or rotation"
    ready = Picture(stack.small(base).luma)
    for frame in frames:
        if frame != base:
            moving = Picture(stack.small(frame).luma)
            try:
                matrix = _matched(ready, moving, (base, frame), model)
                matrices[frame] = for_full(matrix, stack.proxy_bin)
            except RegistrationError as error:
                problem = str(error)
    matrices = _believable(matrices)
    _enough(matrices, frames, problem)
    used = in_depth_order(
        np.array([frame for frame in frames if frame in matrices]), matrices, stack
    )
    return Alignment(reference=base, used=tuple(used.tolist()), matrices=matrices)


def phase_correlated(
    stack: Stack, frames: Sequence[int], *, reference: int | None = None
) -> Alignment:
    """Shift every frame by phase correlation with the reference frame; no turn, no scale."""
    frames = list(frames)
    base = reference if reference in frames else frames[(len(frames) - 1) // 2]
    luma = stack.small(base).luma
    matrices = {
        frame: for_full(translation(luma, stack.small(frame).luma), stack.proxy_bin)
        for frame in frames
    }
    return Alignment(reference=base, used=tuple(frames), matrices=matrices)


def _matched(
    first: Picture,
    second: Picture,
    names: tuple[int, int],
    model: str,
    start: Matrix | None = None,
) -> Matrix:
    found = register(first, second, model=model, start=start)
    if found.correlation < LEAST_CORRELATION:
        raise RegistrationError(
            f"frames {names[0]} and {names[1]} do not match: correlation {found.correlation:.2f} "
            f"after alignment, at least {LEAST_CORRELATION} needed"
        )
    return found.matrix


def in_depth_order(order: Ints, matrices: Mapping[int, Matrix], stack: Stack) -> Ints:
    """Put frames in order of depth, near first, by the scale at which they show the subject.

    A camera that advances sees the subject larger and is focused deeper. Where the scale hardly
    changes (over the whole stack it moves the corner of the picture by a pixel or two) the order
    given is kept.
    """
    scales = np.log([scale_of(matrices[row]) for row in order])
    if np.ptp(scales) * np.hypot(*stack.shape) / 2 > TELLING_PX:
        return order[np.argsort(scales, kind="stable")]
    return order
