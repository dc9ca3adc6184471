"""Focus sequences of our own scenes: real lens blur, occluding edges, sensor noise, hands.

What the published protocols leave out. Frames are lined up as a perfect registration would do it
on what is sharp in each of them: by the affine map that fits the true motion of the points near its
plane of focus. Parallax of other depths remains, and so does what an edge hides.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from ...ground.srgb import LUMA
from ...ground.types import Bools, Doubles, Floats
from ...simulator import Rig, Scene, Shoot, load_rig, load_scene, view_depth
from ...simulator.handling.approach import Approach
from ...simulator.handling.cadence import interval_s
from ...simulator.handling.light import load_light
from ...simulator.scene.relief.plain import FlatRelief
from ...simulator.scene.scene import Sheet
from ...simulator.shooting.shoot import shoot
from ..judge.true_stages import StackTruth
from ..methods.picture.tone import to_float
from .depth_quality import operator_rmse_mm

FRAMES = 25
_BIN = 4
_BEYOND = 0.25  # of the depth, swept before and behind the subject
_LIGHT = "flash-sixteenth"
_LEAST_POINTS = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldCase:
    """One step from the laboratory to the field.

    Parameters
    ----------
    name, scene, stance : str
    noise : bool
        Whether the sensor has noise.
    """

    name: str
    scene: str
    stance: str
    noise: bool


CASES = (
    FieldCase(name="lens blur, smooth relief", scene="cone", stance="stepped", noise=False),
    FieldCase(name="occluding edges", scene="sticky-leaf", stance="stepped", noise=False),
    FieldCase(name="edges and sensor noise", scene="sticky-leaf", stance="stepped", noise=True),
    FieldCase(name="edges, noise and hands", scene="sticky-leaf", stance="braced", noise=True),
)


#: The card of the ramp scene laid flat, for measures of the whole frame.
FLAT_CARD = "flat card"
FLAT_CASES = (
    FieldCase(name="flat card, lens blur", scene=FLAT_CARD, stance="stepped", noise=False),
    FieldCase(name="flat card, noise and hands", scene=FLAT_CARD, stance="braced", noise=True),
)
_FLAT_SWEEP_MM = (-1.2, 1.3)


@dataclass(frozen=True, slots=True, eq=False)
class FieldSequence:
    """A focus sequence out of a shoot, lined up and in order of depth.

    Parameters
    ----------
    frames : array (n, rows, cols)
        Luma of the encoded frames, 0..1.
    focus_mm : array (n,)
        z of the plane of focus.
    depth_mm : array (rows, cols)
        NaN where there is no truth.
    valid : array (rows, cols) of bool
        Where there is truth.
    band : array (rows, cols) of bool
        Where an occluding edge blurs over what is behind it.
    """

    frames: Floats
    focus_mm: Doubles
    depth_mm: Doubles
    valid: Bools
    band: Bools


def shoot_of(case: FieldCase, *, size: int, seed: int, frames: int = FRAMES) -> Shoot:
    """Plan the shoot of a condition: a pass through the middle of the scene and beyond it."""
    scene = _scene(case.scene)
    rig = load_rig(scene.rig)
    crop = (size * _BIN, size * _BIN)
    start, end = _ends_mm(scene, rig, crop)
    length = end - start
    step = length / (frames - 1)
    pace = step / interval_s(load_light(_LIGHT).cadence, 0)
    stepped = case.stance == "stepped"
    approach = Approach(
        kind="stepped" if stepped else "lean",
        start_mm=start,
        length_mm=length,
        step_mm=step,
        speed_mm_per_s=pace,
    )
    return shoot(
        scene,
        rig,
        stance=case.stance,
        light=_LIGHT,
        frames=frames,
        seed=seed,
        approach=approach,
        crop=crop,
        bin=_BIN,
        noise=case.noise,
    )


def _scene(name: str) -> Scene:
    if name != FLAT_CARD:
        return load_scene(name)
    ramp = load_scene("ramp")
    cards = [s for s in ramp.surface if isinstance(s, Sheet)]
    flat = replace(cards[0], relief=FlatRelief())
    return replace(ramp, name="flat-card", surface=(flat,))


def _ends_mm(scene: Scene, rig: Rig, crop: tuple[int, int]) -> tuple[float, float]:
    """Where the pass begins and ends: a quarter of the depth before and behind the subject."""
    depth = view_depth(scene, rig, crop=crop, bin=_BIN)
    near, far = float(np.nanmin(depth)), float(np.nanmax(depth))
    if far - near < 1e-6:
        return _FLAT_SWEEP_MM
    margin = _BEYOND * (far - near)
    return near - margin, far + margin


def make_field_sequence(case: FieldCase, *, size: int = 256, seed: int = 0) -> FieldSequence:
    """Shoot a condition and line its usable frames up with the reference frame."""
    shooting = shoot_of(case, size=size, seed=seed)
    truth = shooting.truth()
    pictures = [frame.image for frame in shooting]
    frames, focus = lined_up_frames(StackTruth(shooting, truth, pictures))
    depth = truth.depth_mm.astype(np.float64)
    valid = truth.mask("valid") & np.isfinite(depth)
    return FieldSequence(np.stack(frames), focus, depth, valid, truth.mask("occlusion-band"))


def lined_up_frames(stack: StackTruth) -> tuple[list[Floats], Doubles]:
    """Return the usable frames of a shoot in order of depth, lined up with the truth's view.

    Their light is evened by what the flash truly gave, as every method evens it somehow. A frame
    that shows hardly anything of that view is left out.

    Returns
    -------
    frames : list of array (rows, cols)
        Luma of the encoded frames, 0..1.
    focus_mm : array (n,)
        z of their planes of focus.
    """
    order = [number for number in stack.frame_choice() if _points(stack, number) >= _LEAST_POINTS]
    focus = np.array([stack.shoot.records[number].focus_z_mm for number in order])
    frames = [
        _lined_up(_grey(stack, number), stack.warp(number), stack.truth.depth_mm - z)
        for number, z in zip(order, focus, strict=True)
    ]
    return frames, focus


def _points(stack: StackTruth, number: int) -> int:
    """Return how many pixels of the truth's view a frame shows."""
    return int(np.isfinite(stack.warp(number)[..., 0]).sum())


def _grey(stack: StackTruth, number: int) -> Floats:
    gains = np.maximum(np.array(stack.shoot.records[number].gains, np.float32), np.float32(1e-6))
    grey: Floats = to_float(stack.frames[number], gain=1.0 / gains, linear=False) @ LUMA
    return grey


def _lined_up(grey: Floats, places: Floats, off_focus_mm: npt.NDArray[np.floating[Any]]) -> Floats:
    """Resample a frame by the affine map that fits its sharp points, edges repeated."""
    seen = np.isfinite(places[..., 0]) & np.isfinite(off_focus_mm)
    limit = np.quantile(np.abs(off_focus_mm[seen]), 0.2)
    sharp = seen & (np.abs(off_focus_mm) <= limit)
    rows, columns = np.nonzero(sharp if sharp.sum() >= _LEAST_POINTS else seen)
    here = np.stack([rows, columns, np.ones_like(rows)], axis=1).astype(np.float64)
    fit, *_ = np.linalg.lstsq(here, places[rows, columns].astype(np.float64), rcond=None)
    lined = np.empty_like(grey)
    ndimage.affine_transform(grey, fit[:2].T, offset=fit[2], output=lined, order=3, mode="nearest")
    return lined


def field_errors(
    sequence: FieldSequence, codes: Iterable[str], *, window: int, away_from_edges: bool = False
) -> dict[str, float]:
    """RMSE of the depth by each operator, mm, where there is truth.

    Parameters
    ----------
    sequence : FieldSequence
    codes : iterable of str
        Keys of `metrics.focus.MEASURES`.
    window : int
    away_from_edges : bool
        Leave out the band about occluding edges.
    """
    mask = sequence.valid & ~sequence.band if away_from_edges else sequence.valid
    return {
        code: operator_rmse_mm(
            sequence.frames,
            sequence.focus_mm,
            sequence.depth_mm,
            code,
            window=window,
            mask=mask,
        )
        for code in codes
    }
