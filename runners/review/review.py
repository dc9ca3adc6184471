"""A review of a burst: what its frames hold, what they miss, and which are worth keeping."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import ndimage

from ...ground.types import Bools, Doubles, Indices
from ...simulator.optics import DepthOfField, depth_of_field_mm, focus_distance_mm
from ...simulator.rig import Rig
from ..calibrate.burst import Burst
from ..methods.align.align import Alignment, chained
from ..methods.align.register import RegistrationError
from ..methods.picture.geometry import scale_of
from ..methods.picture.stack import InputStack
from .by_frame import FrameReview, Measured, frame_reviews
from .detail import CellGrid, FrameDetail, frame_detail
from .exposure import LightLevels, exposure_of
from .focus_fit import BEYOND, FocusFit, Seen, fit_focus
from .gaps import BEFORE, BEHIND, SHARP, UNTOLD, HeldParts, held_by
from .loss import loss_of
from .moving import movement_px
from .smear import smear_of

#: Fewer frames than this tell nothing of depth.
FEWEST = 3
#: The least blur disc that is judged, px of the frames: finer than that is the pixels' own.
_LEAST_BLUR_PX = 2.0
#: Error of the scale between frames, as a way of a point at about a third of the diagonal from
#: the middle, px (standard deviation; rendered bursts).
_SCALE_PX, _SCALE_AT = 0.04, 0.35
#: Share of the energies, from the least, that are taken to be noise alone.
_NOISE_SHARE = 0.02
#: A cell with a larger share of white in every frame is not judged.
_WHITE = 0.2
#: A cell is not judged that slips by more than so many circles of confusion from frame to frame.
_MOVES = 1.0
#: The review says that it cannot tell if no more of the picture than this can be judged.
LEAST_JUDGED = 0.1

#: Why a part of the picture is not judged.
Reason = Literal["weak texture", "moves", "white", "unsure"]
Verdict = Literal["enough", "gap", "ends", "cannot tell"]


class ReviewError(ValueError):
    """The pictures do not make a burst that can be reviewed."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Review:
    """What a burst holds.

    Parameters
    ----------
    verdict : {"enough", "gap", "ends", "cannot tell"}
        Whether a depth between the planes of focus is missing, or one beyond them.
    rig : Rig
    lane : DepthOfField
        Depth that one frame holds, mm.
    blur_px : float
        Largest blur disc that counts as sharp, px of the frames.
    frames : tuple of FrameReview
        In the order of shooting.
    reference : int
        The frame in whose view the parts of the picture are.
    grid : CellGrid
    held : HeldParts
    cell_mm : array (cells,)
        Depth of each part; NaN where it cannot be told.
    shares : mapping of str to float
        Of the picture: ``sharp``, ``never``, ``before``, ``behind`` and each `Reason`.
    times_from : str
        Where the order of the frames comes from.
    f_number_told : float or None
        That the camera wrote.
    """

    verdict: Verdict
    rig: Rig
    lane: DepthOfField
    blur_px: float
    frames: tuple[FrameReview, ...]
    reference: int
    grid: CellGrid
    held: HeldParts
    cell_mm: Doubles
    shares: Mapping[str, float]
    times_from: str
    f_number_told: float | None

    @property
    def judged(self) -> float:
        """Share of the picture of which anything can be said."""
        return sum(self.shares[name] for name in ("sharp", "never", "before", "behind"))


def review_burst(burst: Burst, rig: Rig, *, blur_um: float) -> Review:
    """Review a burst.

    Parameters
    ----------
    burst : Burst
    rig : Rig
        That it was taken with.
    blur_um : float
        Largest blur disc on the sensor that counts as sharp; never less than two pixels.

    Raises
    ------
    ReviewError
        Too few frames, all of them black, or the pictures do not show the same thing.

    Notes
    -----
    How far frames are apart follows from the scale of the pictures, as a camera that advances
    sees the subject larger, and is refined by how the blur of each part changes from frame to
    frame, which the transfer function of the rig turns into mm. A part is never sharp where its
    depth, found in the same way, lies outside the depth of field of every frame.
    """
    stack = InputStack(burst.frames, {"encoding": "linear" if burst.linear else "srgb"})
    levels = exposure_of(stack, burst.paths)
    alignment = _aligned(stack, levels)
    blur_px = max(blur_um / burst.pitch_um, _LEAST_BLUR_PX)
    grid = CellGrid(shape=stack.shape, bin=max(1, int(blur_px / _LEAST_BLUR_PX + 1e-9)))
    lane = depth_of_field_mm(rig, blur_um=blur_px * burst.pitch_um)
    measured = _measured(stack, alignment, grid)
    fit = _fitted(measured, alignment, rig, grid, pitch_um=burst.pitch_um, lane=lane)
    smear = smear_of(measured.directions, measured.seen.energy[:, 0])
    steady = ~(smear.length * grid.bin > blur_px)
    white = measured.white > _WHITE
    moves = _moves(stack, alignment, measured.used, fit, grid, limit_px=_MOVES * blur_px)
    held = held_by(fit, steady, lane, untold=white | moves)
    shares = _shares(held, fit, white=white, moves=moves)
    return Review(
        verdict=_verdict(held, shares),
        rig=rig,
        lane=lane,
        blur_px=blur_px,
        frames=frame_reviews(
            stack,
            burst,
            levels=levels,
            measured=measured,
            fit=fit,
            blur=smear,
            held=held,
            steady=steady,
            lane_mm=lane.total_mm,
            working_px=grid.bin,
        ),
        reference=alignment.reference,
        grid=grid,
        held=held,
        cell_mm=fit.cell_mm,
        shares=shares,
        times_from=burst.times_from,
        f_number_told=levels.f_number,
    )


def _aligned(stack: InputStack, levels: LightLevels) -> Alignment:
    """Lay the frames that are lit on each other."""
    if len(stack) < FEWEST:
        raise ReviewError(
            f"frames tell nothing of depth: got {len(stack)}, allowed {FEWEST} or more"
        )
    if levels.black.all():
        raise ReviewError(
            "all frames are black: got none in which anything is to be seen, allowed lit ones"
        )
    lit = np.flatnonzero(~levels.dark).tolist()
    if len(lit) < FEWEST:
        raise ReviewError(
            f"frames: got only {len(lit)} of {len(stack)} with enough light, allowed "
            f"{FEWEST} or more"
        )
    try:
        aligned = chained(stack, lit, model="affine")
    except RegistrationError as error:
        raise ReviewError(
            "the pictures do not show the same thing, or too little of it to lay them on each "
            f"other: {error}"
        ) from error
    if len(aligned.used) < FEWEST:
        raise ReviewError(
            f"frames: got only {len(aligned.used)} of {len(stack)} that show the same thing, "
            f"allowed {FEWEST} or more"
        )
    return aligned


def middles_px(grid: CellGrid) -> Doubles:
    """Return where the middles of the cells are, row and column, px, shape (2, cells)."""
    rows, cols = grid.cells
    both = np.meshgrid(np.arange(rows), np.arange(cols), indexing="ij")
    middles = np.stack(both).reshape(2, -1) * grid.side + (grid.side - 1) / 2
    return np.asarray(middles, dtype=np.float64)


def _measured(stack: InputStack, alignment: Alignment, grid: CellGrid) -> Measured:
    """Measure all frames, and bring what was measured into the view of the reference."""
    used = np.array(sorted(alignment.used), dtype=np.intp)
    row, column = middles_px(grid)
    place = np.stack([column, row, np.ones_like(row)])
    energies, levels, directions, whites = [], [], [], []
    for frame in used.tolist():
        detail = frame_detail(np.asarray(stack.frames[frame]), grid, linear=stack.linear)
        x, y, depth = alignment.matrices[frame] @ place
        at = np.stack([y / depth, x / depth])
        energy, level, direction, white = _carried(detail, (at + 0.5) / grid.side - 0.5)
        energies.append(energy)
        levels.append(level)
        directions.append(direction)
        whites.append(white)
    energy, level = np.stack(energies), np.stack(levels)[:, np.newaxis]
    # The noise of light goes with its root, so that of contrast with one over the level.
    least = np.nanquantile(energy * level, _NOISE_SHARE, axis=(0, 2))
    noise = least[:, np.newaxis] / np.nan_to_num(level, nan=1.0)
    return Measured(
        used=used,
        seen=Seen(energy=energy, noise=noise),
        directions=np.stack(directions),
        white=np.nan_to_num(np.stack(whites), nan=1.0).min(axis=0),
    )


def _carried(detail: FrameDetail, at: Doubles) -> tuple[Doubles, Doubles, Doubles, Doubles]:
    """Return contrast, level, directions and white of a frame at places in its cells."""

    def taken(plane: Doubles) -> Doubles:
        inside = ((at >= -0.5) & (at <= np.array(plane.shape)[:, np.newaxis] - 0.5)).all(axis=0)
        values = ndimage.map_coordinates(plane, at, order=1, mode="nearest")
        return np.where(inside, values, np.nan)

    return (
        np.stack([taken(plane) for plane in detail.contrast]),
        taken(detail.level),
        np.stack([taken(plane) for plane in detail.directions]),
        taken(detail.clipped),
    )


def _fitted(
    measured: Measured,
    alignment: Alignment,
    rig: Rig,
    grid: CellGrid,
    *,
    pitch_um: float,
    lane: DepthOfField,
) -> FocusFit:
    """Place frames and cells in depth; zero is the plane of focus of the reference."""
    distance = focus_distance_mm(rig)
    # From s nearer the subject shows larger by d / (d - s).
    scales = np.array([scale_of(alignment.matrices[frame]) for frame in measured.used.tolist()])
    start = distance * (1 - 1 / scales)
    reach = min(np.ptp(start) + (2 * BEYOND + 4) * lane.total_mm, 0.9 * distance)
    loss = loss_of(rig, pixel_um=pitch_um * grid.bin, lane_mm=lane.total_mm, reach_mm=reach)
    error = distance * _SCALE_PX / (_SCALE_AT * float(np.hypot(*grid.shape)))
    return fit_focus(
        measured.seen, loss, start_mm=start, start_error_mm=error, lane_mm=lane.total_mm
    )


def _moves(
    stack: InputStack,
    alignment: Alignment,
    used: Indices,
    fit: FocusFit,
    grid: CellGrid,
    *,
    limit_px: float,
) -> Bools:
    """Say which cells slip from frame to frame, in the order of the planes of focus."""
    order = used[np.argsort(fit.frame_mm, kind="stable")].tolist()
    return np.asarray(movement_px(stack, alignment, order, middles_px(grid)) > limit_px)


def _shares(held: HeldParts, fit: FocusFit, *, white: Bools, moves: Bools) -> dict[str, float]:
    state = held.state
    untold = state == UNTOLD
    weak = untold & ~fit.told
    return {
        "sharp": float((state == SHARP).mean()),
        "never": float((state > SHARP).mean() - (state >= BEFORE).mean()),
        "before": float((state == BEFORE).mean()),
        "behind": float((state == BEHIND).mean()),
        "weak texture": float(weak.mean()),
        "moves": float((untold & ~weak & moves).mean()),
        "white": float((untold & ~weak & ~moves & white).mean()),
        "unsure": float((untold & ~weak & ~moves & ~white).mean()),
    }


def _verdict(held: HeldParts, shares: Mapping[str, float]) -> Verdict:
    judged = sum(shares[name] for name in ("sharp", "never", "before", "behind"))
    if shares["moves"] > max(judged, LEAST_JUDGED):
        return "cannot tell"
    if any(gap.inner for gap in held.gaps):
        return "gap"
    if judged < max(LEAST_JUDGED, shares["unsure"]):
        return "cannot tell"
    return "ends" if held.gaps else "enough"
