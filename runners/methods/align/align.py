"""Align stage: how every frame lies on the reference frame."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import pairwise
from typing import Protocol

import numpy as np

from ....ground.types import Doubles, Indices
from ..picture.geometry import Coordinates, Matrix, for_full, scale_of, turn_of
from ..picture.stack import InputStack
from .links import Links, Placed
from .order import TELLING_PX, depth_order, likeness, sharpness_profiles, sized_order, unlikeness
from .register import RegistrationError, translation

# A frame that needs more than this has lost the subject, or its registration is wrong.
LIMIT_SCALE = 0.25
LIMIT_TURN = 0.2  # rad
# With a smaller share of the frames left, alignment fails.
_LEAST_SHARE = 0.5


@dataclass(frozen=True, eq=False, kw_only=True)
class Alignment:
    """Where every used frame lies.

    Parameters
    ----------
    reference : int
        Frame whose geometry the result takes.
    used : tuple of int
        Frames in order of depth, near or far first.
    matrices : mapping of int to array (3, 3)
        Takes (x, y) in the reference frame to (x, y) in the frame.
    places : callable, optional
        Gives the dense form of a frame's transform, shape (rows, cols, 2) as (row, column), NaN
        where the frame does not show the point; it then replaces the matrix.
    """

    reference: int
    used: tuple[int, ...]
    matrices: dict[int, Matrix] = field(default_factory=dict)
    places: Callable[[int], Coordinates] | None = None


class AlignStage(Protocol):
    """What lays frames on one of them."""

    def __call__(
        self, stack: InputStack, frames: Sequence[int], *, reference: int | None = None
    ) -> Alignment:
        """Align frames; `reference` is the one whose geometry is kept, None leaves it free."""
        ...


def no_alignment(
    stack: InputStack, frames: Sequence[int], *, reference: int | None = None
) -> Alignment:
    """Take the frames as they are, in the order given."""
    middle = frames[(len(frames) - 1) // 2]
    base = middle if reference is None or reference not in frames else reference
    return Alignment(reference=base, used=tuple(frames), matrices=dict.fromkeys(frames, np.eye(3)))


def chained(
    stack: InputStack,
    frames: Sequence[int],
    *,
    model: str = "similarity",
    reorder: bool = True,
    reference: int | None = None,
) -> Alignment:
    """Register likely neighbours, and multiply the transforms along the surest path.

    A frame is left out that matches none of its likeliest neighbours, or matches in more than one
    way, or gets a scale or rotation that no burst has.

    Parameters
    ----------
    model : {"translation", "similarity", "affine"}
    reorder : bool
        Recover the order of depth first; else the frames are taken as given in order.
    reference : int, optional
        Frame whose geometry is kept; the middle one in depth otherwise.

    Raises
    ------
    RegistrationError
        When less than half of the frames can be brought onto each other.
    """
    frames = list(frames)
    if len(frames) == 1:
        return no_alignment(stack, frames, reference=reference)
    alike = likeness(stack, frames)
    middle = (len(frames) - 1) // 2
    profiles = sharpness_profiles(stack, frames, alike.shifts[middle])
    distance = unlikeness(profiles, alike.alike)
    order = depth_order(distance) if reorder else np.arange(len(frames))
    root = (
        frames.index(reference) if reference in frames else _middle_of_focus(stack, frames, order)
    )
    in_order = partial(_in_order, distance=distance, stack=stack) if reorder else _kept
    links = Links(stack, frames, model)
    links.join(root, distance, alike.shifts * (stack.thumb_bin / stack.proxy_bin))
    placed = links.placed_from(root)
    order = in_order(order, placed)
    for first, second in pairwise(order.tolist()):
        start = placed.matrices[second] @ np.linalg.inv(placed.matrices[first])
        with suppress(RegistrationError):
            links.link(first, second, start)
    placed = links.placed_from(root)
    _enough(placed.matrices, frames, links.problem)
    placed = replace(placed, matrices=_believable(placed.matrices))
    _enough(placed.matrices, frames, "the others came out with an impossible scale or rotation")
    order = in_order(order, placed)
    return Alignment(
        reference=frames[root],
        used=tuple(frames[row] for row in order),
        matrices={
            frames[row]: for_full(own, stack.proxy_bin) for row, own in placed.matrices.items()
        },
    )


def _kept(order: Indices, placed: Placed) -> Indices:
    return np.array([row for row in order.tolist() if row in placed.matrices], dtype=np.intp)


def _in_order(order: Indices, placed: Placed, *, distance: Doubles, stack: InputStack) -> Indices:
    """Put the frames that are placed in order of depth, near first."""
    order = _kept(order, placed)
    if all(placed.sure(row) for row in placed.matrices):
        return in_depth_order(order, placed.matrices, stack)
    rows = np.sort(order)
    corner_px = np.hypot(*stack.shape) / (2 * stack.proxy_bin)
    growth_px = corner_px * np.log([scale_of(placed.matrices[row]) for row in rows])
    near = distance[np.ix_(rows, rows)]
    sure = np.array([placed.sure(row) for row in rows])
    return rows[sized_order(near, growth_px, sure, np.searchsorted(rows, order))]


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


def _middle_of_focus(stack: InputStack, frames: Sequence[int], order: Indices) -> int:
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


def direct(
    stack: InputStack,
    frames: Sequence[int],
    *,
    model: str = "similarity",
    reference: int | None = None,
) -> Alignment:
    """Register every frame with the reference frame itself; else as `chained`."""
    frames = list(frames)
    root = frames.index(reference) if reference in frames else (len(frames) - 1) // 2
    links = Links(stack, frames, model)
    placed = {root: np.eye(3)}
    for row in range(len(frames)):
        if row != root:
            with suppress(RegistrationError):
                placed[row] = links.link(root, row, np.eye(3))
    _enough(placed, frames, links.problem)
    matrices = {
        frames[row]: for_full(matrix, stack.proxy_bin)
        for row, matrix in sorted(_believable(placed).items())
    }
    _enough(matrices, frames, "the others came out with an impossible scale or rotation")
    used = in_depth_order(np.array(list(matrices)), matrices, stack)
    return Alignment(reference=frames[root], used=tuple(used.tolist()), matrices=matrices)


def phase_correlated(
    stack: InputStack, frames: Sequence[int], *, reference: int | None = None
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


def in_depth_order(order: Indices, matrices: Mapping[int, Matrix], stack: InputStack) -> Indices:
    """Put frames in order of depth, near first, by the scale at which they show the subject.

    A camera that advances sees the subject larger and is focused deeper. Where the scale hardly
    changes (over the whole stack the corner of the picture moves by a pixel or two) the given
    order is kept.
    """
    scales = np.log([scale_of(matrices[row]) for row in order])
    if np.ptp(scales) * np.hypot(*stack.shape) / 2 > TELLING_PX:
        return order[np.argsort(scales, kind="stable")]
    return order
