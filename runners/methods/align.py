"""Align stage: how every frame lies on the reference frame."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from runners.methods.geometry import (
    Coordinates,
    Matrix,
    for_full,
    scale_of,
    turn_of,
)
from runners.methods.order import depth_order, neighbour_tree, sharpness_profiles
from runners.methods.register import RegistrationError, register, translation
from runners.methods.stack import Stack

# A burst that needs more than this has lost its subject, or the registration is wrong.
LIMIT_SCALE = 0.25
LIMIT_TURN = 0.2
LEAST_CORRELATION = 0.2
# A change of scale that moves the corner by this much from one frame to the next is no accident.
TELLING_PX = 0.3


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
    middle = frames[len(frames) // 2]
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

    Raises
    ------
    RegistrationError
        When two frames cannot be brought onto each other.
    """
    frames = list(frames)
    if len(frames) == 1:
        return no_alignment(stack, frames)
    profiles = sharpness_profiles(stack, frames)
    order = depth_order(profiles) if reorder else np.arange(len(frames))
    root = frames.index(reference) if reference in frames else int(order[len(order) // 2])
    pairs = neighbour_tree(profiles, root) if reorder else _in_a_row(len(frames), root)
    matrices = {root: np.eye(3)}
    for parent, child in pairs:
        step = _pair(stack, frames[parent], frames[child], model)
        matrices[child] = step @ matrices[parent]
    full = {frames[row]: for_full(matrix, stack.proxy_bin) for row, matrix in matrices.items()}
    for frame, matrix in full.items():
        _check(matrix, frame)
    used = tuple(frames[row] for row in order)
    return Alignment(
        reference=frames[root], used=in_depth_order(used, full, _half_px(stack)), matrices=full
    )


def _in_a_row(count: int, root: int) -> list[tuple[int, int]]:
    up = [(row, row + 1) for row in range(root, count - 1)]
    return up + [(row, row - 1) for row in range(root, 0, -1)]


def direct(
    stack: Stack, frames: Sequence[int], *, model: str = "similarity", reference: int | None = None
) -> Alignment:
    """Register every frame with the reference frame at once; else as `chained`."""
    frames = list(frames)
    base = reference if reference in frames else frames[len(frames) // 2]
    matrices = {base: np.eye(3)}
    for frame in frames:
        if frame != base:
            matrices[frame] = for_full(_pair(stack, base, frame, model), stack.proxy_bin)
            _check(matrices[frame], frame)
    used = in_depth_order(tuple(frames), matrices, _half_px(stack))
    return Alignment(reference=base, used=used, matrices=matrices)


def phase_correlated(
    stack: Stack, frames: Sequence[int], *, reference: int | None = None
) -> Alignment:
    """Shift every frame by phase correlation with the reference frame; no turn, no scale."""
    frames = list(frames)
    base = reference if reference in frames else frames[len(frames) // 2]
    luma = stack.small(base).luma
    matrices = {
        frame: for_full(translation(luma, stack.small(frame).luma), stack.proxy_bin)
        for frame in frames
    }
    return Alignment(reference=base, used=tuple(frames), matrices=matrices)


def _pair(stack: Stack, first: int, second: int, model: str) -> Matrix:
    found = register(stack.small(first).luma, stack.small(second).luma, model=model)
    if found.correlation < LEAST_CORRELATION:
        raise RegistrationError(
            f"frames {first} and {second} do not match: correlation {found.correlation:.2f} "
            f"after alignment, at least {LEAST_CORRELATION} is needed"
        )
    return found.matrix


def _half_px(stack: Stack) -> float:
    return float(np.hypot(*stack.shape)) / 2


def _check(matrix: Matrix, frame: int) -> None:
    scale, turn = scale_of(matrix), turn_of(matrix)
    if abs(np.log(scale)) > LIMIT_SCALE or abs(turn) > LIMIT_TURN:
        raise RegistrationError(
            f"frame {frame} came out with scale {scale:.3f} and a turn of {turn * 1e3:.0f} mrad; "
            f"allowed: within {LIMIT_SCALE:.0%} and {LIMIT_TURN * 1e3:.0f} mrad"
        )


def in_depth_order(
    used: tuple[int, ...], matrices: dict[int, Matrix], half_px: float
) -> tuple[int, ...]:
    """Put frames in order of depth, near first, by the scale at which they show the subject.

    A camera that advances sees the subject larger and is focused deeper. Where the scale hardly
    changes (it moves the edge of the picture by less than can be measured from frame to frame)
    the order given is kept, turned round if the picture shrinks along it.

    Parameters
    ----------
    half_px : float
        Distance from the middle to a corner of the picture, px.
    """
    scales = np.log([scale_of(matrices[frame]) for frame in used])
    steps = np.diff(np.sort(scales)) * half_px
    if steps.size and np.median(steps) > TELLING_PX:
        return tuple(used[place] for place in np.argsort(scales, kind="stable"))
    slope = float(np.dot(scales - scales.mean(), np.arange(len(used)) - (len(used) - 1) / 2))
    return used[::-1] if slope < 0 else used
