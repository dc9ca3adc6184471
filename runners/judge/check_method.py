"""Contract tests for the authors of methods, on small rendered stacks.

Each check runs the method in a process of its own on one small stack and compares what comes back
with one promise of the contract. It says what went wrong and what to change.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from typing import Any, Literal

import numpy as np

from ...ground.srgb import LUMA
from ...ground.types import Image
from ...simulator.handling.approach import Approach
from ...simulator.handling.hands import Stance
from ...simulator.loading.scenes import load_scene
from ...simulator.rig import load_rig
from ...simulator.shooting.shoot import nearest_middle, shoot
from ...simulator.stack.frameio import FORMATS
from ...simulator.stack.stackwrite import camera_info
from ..contract import Outcome, Result
from ..isolate.run import Method, run_method
from ..isolate.staying import StayingMethods
from ..methods.picture.tone import to_float

TIME_LIMIT_S = 30.0
MEMORY_LIMIT_MB = 2000.0
# Fusing may overshoot, vignette or brighten a little; a picture on another scale, or one with a
# black frame averaged in, is off by far more. Share of the frames' mean.
_LEVEL_SHARE = 0.3
# Largest mean difference between channels of a picture made of grey frames, share of white.
_GREY_SHARE = 0.01
_FRAMES = 5


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What one check found.

    Parameters
    ----------
    check : str
        What was tried.
    status : {"ok", "failed", "skipped"}
    reason : str
        What was found; for "ok" a figure or nothing.
    advice : str
        What to change; only for "failed".
    """

    check: str
    status: Literal["ok", "failed", "skipped"]
    reason: str = ""
    advice: str = ""

    def __str__(self) -> str:
        """Return the line that is printed."""
        line = f"{self.status:<8}{self.check}"
        line += f": {self.reason}" if self.reason else ""
        return f"{line}\n{'':8}-> {self.advice}" if self.advice else line


@dataclass(frozen=True, kw_only=True, eq=False)
class Trial:
    """One small stack, and what a result on it must be.

    Parameters
    ----------
    check : str
        What is tried.
    frames : tuple of array (rows, cols, 3)
    info : mapping
        The stack's frames.json.
    advice : str
        What to change when the method breaks here.
    holds : callable
        Returns what is wrong with a result, or "".
    """

    check: str
    frames: tuple[Image, ...]
    info: Mapping[str, Any]
    advice: str
    holds: Callable[[Trial, Result], str]


def check_method(
    method: Method,
    *,
    time_limit_s: float = TIME_LIMIT_S,
    memory_limit_mb: float = MEMORY_LIMIT_MB,
) -> Iterator[Verdict]:
    """Try a method on every promise of the contract; verdicts come as they are found.

    Parameters
    ----------
    method : Method
        From `runners.isolate.run.find_method`; not a truth-fed one.
    time_limit_s, memory_limit_mb : float
        Of each run, which has five frames of 160 x 112 pixels at most.

    Raises
    ------
    ValueError
        A truth-fed method: it needs what no method under test may have.
    """
    if method.needs_truth:
        raise ValueError(
            f"method {method.name!r} is truth-fed: got no truth, expected one; a check has "
            "none to give"
        )
    allowed = f"{time_limit_s:g} s and {memory_limit_mb:g} MB"
    return _checked(method, time_limit_s, memory_limit_mb, allowed)


def _checked(
    method: Method, time_limit_s: float, memory_limit_mb: float, allowed: str
) -> Iterator[Verdict]:
    # One that may stay loaded stays over all trials: so the repeated run tells what it remembers.
    staying = StayingMethods()
    run = partial(
        run_method,
        method,
        time_limit_s=time_limit_s,
        memory_limit_mb=memory_limit_mb,
        staying=staying,
    )
    try:
        yield from _verdicts(run, trials(eight_bits=_writes_eight_bits(method)), allowed)
    finally:
        staying.close()


def _verdicts(
    run: Callable[..., Outcome], tried: Sequence[Trial], allowed: str
) -> Iterator[Verdict]:
    first, *rest = tried
    usual = run(first.frames, first.info)
    yield judged(first, usual)
    if usual.status in ("timed-out", "skipped"):
        reason = f"the ordinary stack was {usual.status}, so nothing more was tried"
        yield Verdict(
            check="all other checks",
            status="failed",
            reason=reason,
            advice="make the ordinary stack work first",
        )
        return
    for trial in rest:
        yield judged(trial, run(trial.frames, trial.info))
    yield repeated(usual, run(first.frames, first.info))
    yield cost(usual, allowed)


def _writes_eight_bits(method: Method) -> bool:
    return method.program is not None and method.program.image_format.endswith("8")


@cache
def small_stack() -> tuple[tuple[Image, ...], Mapping[str, Any]]:
    """Return five frames of a leaf with sticky hairs, still, 160 x 112 pixels of 16 bits."""
    shooting = shoot(
        load_scene("sticky-leaf"),
        load_rig("field-2x"),
        stance=Stance(name="support"),
        light="steady-lamp",
        approach=Approach(kind="stepped", start_mm=-1.0, step_mm=0.5),
        frames=_FRAMES,
        crop=(2400, 1680),
        bin=15,
    )
    frames = tuple(frame.image for frame in shooting)
    for frame in frames:
        frame.setflags(write=False)  # they are kept for the next check of this process
    return frames, camera_info(shooting, FORMATS["tiff16"])


def trials(*, eight_bits: bool = False) -> list[Trial]:
    """Return all stacks that are tried, the ordinary one first.

    Parameters
    ----------
    eight_bits : bool
        Whether the method may give 8 bits for 16, because it asked for frames of 8.
    """
    frames, info = small_stack()
    grey = tuple(np.repeat((f @ LUMA).astype(f.dtype)[..., None], 3, axis=2) for f in frames)
    black = (*frames[:2], np.zeros_like(frames[2]), *frames[3:])
    small = tuple((frame >> 8).astype(np.uint8) for frame in frames)
    deep = _right_level if eight_bits else _keeps_depth
    tried: list[tuple[str, Sequence[Image], Callable[[Trial, Result], str], str]] = [
        ("ordinary stack, 16 bits", frames, deep, "the frames are uint16, 0..65535: work in float"),
        ("one frame", frames[2:3], _right_level, "with one frame, return it"),
        ("two frames", frames[1:3], _right_level, "do not count on a frame on either side"),
        ("odd size", _odd(frames), _right_level, "pad, then cut to the frames' own height, width"),
        ("grey subject", grey, _stays_grey, "keep three channels and treat them alike"),
        ("8 bits", small, _right_level, "scale by the frames' own dtype: 255 is white here"),
        ("a black frame", black, _right_level, "a misfire has no light: guard divisions by it"),
    ]
    return [
        Trial(check=check, frames=tuple(some), info=_info(info, some), holds=holds, advice=advice)
        for check, some, holds, advice in tried
    ]


def _odd(frames: Sequence[Image]) -> list[Image]:
    return [np.ascontiguousarray(frame[:97, :131]) for frame in frames]


def _info(info: Mapping[str, Any], frames: Sequence[Image]) -> Mapping[str, Any]:
    height, width = frames[0].shape[:2]
    size = {"height_px": height, "width_px": width, "bits": frames[0].dtype.itemsize * 8}
    # As in a stack, the usable frame nearest the middle: a black one is no view to merge in.
    lit = [number for number, frame in enumerate(frames) if np.any(frame)] or [0]
    reference = nearest_middle(lit, len(frames))
    return {**info, **size, "frames": info["frames"][: len(frames)], "reference": reference}


def judged(trial: Trial, outcome: Outcome) -> Verdict:
    """Say whether an outcome keeps the trial's promise."""
    if outcome.status == "skipped":
        return Verdict(check=trial.check, status="skipped", reason=outcome.reason)
    if outcome.result is None:
        wrong = f"{outcome.status}, {outcome.reason}"
    else:
        wrong = trial.holds(trial, outcome.result)
    if not wrong:
        return Verdict(check=trial.check, status="ok")
    return Verdict(check=trial.check, status="failed", reason=wrong, advice=trial.advice)


def _right_level(trial: Trial, result: Result) -> str:
    """Say what is wrong with the brightness; frames without light do not count."""
    found = float(to_float(result.image, linear=True).mean())
    levels = [float(to_float(frame, linear=True).mean()) for frame in trial.frames]
    wanted = float(np.mean([level for level in levels if level > 0]))
    if abs(found - wanted) <= _LEVEL_SHARE * wanted:
        return ""
    return f"the picture's mean is {found:.3f} of white, that of the frames {wanted:.3f}"


def _keeps_depth(trial: Trial, result: Result) -> str:
    if result.image.dtype == np.uint8:
        return "frames of 16 bits gave a picture of uint8, so most tones are lost"
    return _right_level(trial, result)


def _stays_grey(trial: Trial, result: Result) -> str:
    image = to_float(result.image, linear=True)
    apart = float(np.ptp(image, axis=2).mean())
    if apart > _GREY_SHARE:
        return f"grey frames gave a coloured picture: channels {apart:.3f} of white apart"
    return _right_level(trial, result)


def repeated(first: Outcome, again: Outcome) -> Verdict:
    """Say whether two runs on the same frames gave the same bytes."""
    check = "repeated run"
    if first.result is None or again.result is None:
        failed = first if first.result is None else again
        reason = f"a run was {failed.status}, so there is nothing to compare"
        return Verdict(check=check, status="failed", reason=reason, advice="see above")
    unlike = [
        name
        for name in ("image", "depth", "depth_unit", "confidence", "reference", "used")
        if not _same(getattr(first.result, name), getattr(again.result, name))
    ]
    if not unlike:
        return Verdict(check=check, status="ok", reason="the same bytes")
    return Verdict(
        check=check,
        status="failed",
        reason=f"two runs on the same frames differ in: {', '.join(unlike)}",
        advice="seed the random numbers, and add up threads' parts in a fixed order",
    )


def _same(one: Any, other: Any) -> bool:
    if isinstance(one, np.ndarray) and isinstance(other, np.ndarray):
        return one.dtype == other.dtype and one.tobytes() == other.tobytes()
    return bool(one is other or (type(one) is type(other) and one == other))


def cost(outcome: Outcome, allowed: str) -> Verdict:
    """Say what the ordinary stack took."""
    check = "time and memory"
    memory = "memory not measured" if outcome.peak_mb is None else f"{outcome.peak_mb:.0f} MB"
    spent = f"{outcome.seconds:.2f} s, {memory} (allowed: {allowed})"
    if outcome.status in ("timed-out", "killed"):
        advice = "take the frames one at a time, and do not keep them"
        return Verdict(check=check, status="failed", reason=outcome.reason, advice=advice)
    return Verdict(check=check, status="ok", reason=spent)
