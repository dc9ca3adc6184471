"""What a method under test hands back, how it is checked, and how a run of it can end."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import numpy.typing as npt

from ..ground.text import plain_line
from ..ground.types import Floats, Image

Status = Literal["ok", "skipped", "failed", "timed-out", "killed", "invalid-output"]
#: Statuses that are no failure.
DONE: tuple[Status, ...] = ("ok", "skipped")
STATUSES: tuple[str, ...] = get_args(Status)
DEPTH_UNITS = ("frame", "mm")

# A pyramid may overshoot white and black a little; a picture on another scale (0..255) lies far
# outside this range.
_FLOAT_RANGE = (-0.5, 1.5)
_SHOWN = 80
_FIELDS = ("image", "depth", "depth_unit", "confidence", "reference", "used")


class InvalidOutput(ValueError):  # noqa: N818 - named as the status that it leads to
    """A method returned something that is not a picture of the stack's size."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Result:
    """What a stacking method made of a stack.

    Parameters
    ----------
    image : array (rows, cols, 3)
        The merged picture in the frames' own encoding: uint8, uint16, or float32 in 0..1.
    depth : array (rows, cols) of float32, optional
        Depth of the picture; NaN where the method does not know.
    depth_unit : {"frame", "mm"}
        "frame": position in `used` (in all frames, when `used` is None), fractional between
        neighbours: 2.5 lies half-way between the third and the fourth entry. "mm": z along the
        optical axis of the reference frame.
    confidence : array (rows, cols) of float32, optional
        Of the depth: higher where the method is surer, in any unit; NaN where least of all.
    reference : int, optional
        Index of the frame to whose geometry picture and depth belong.
    used : tuple of int, optional
        Frames that went into the picture, in the order that `depth` counts them.
    """

    image: Image
    depth: Floats | None = None
    depth_unit: str = "frame"
    confidence: Floats | None = None
    reference: int | None = None
    used: tuple[int, ...] | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Outcome:
    """How one run of one method ended; a failure is an outcome, not a missing row.

    Parameters
    ----------
    status : str
        One of `STATUSES`. "failed": the method raised, crashed or returned an error code;
        "killed": it was ended for taking more memory, processes or disk than allowed, or from
        outside; "invalid-output": it ended well but its result is no picture of the stack.
    reason : str
        Why; made one plain line of at most 500 characters, whatever is given. Empty when ok.
    from_outside : bool
        Whether neither the method nor its limits ended it: it is worth another try.
    result : Result, optional
        Given only when the status is "ok".
    seconds : float
        Wall time of the method itself, s.
    peak_mb : float, optional
        Peak resident memory of its processes, MB (1e6 bytes); None where it was not measured.
    stdout, stderr : str
        The last part of what it printed.
    isolation : str
        How it was kept apart, as recorded in the row; never a claim of security.
    notes : tuple of (str, str)
        Further facts worth a column, such as the checksum of the executable.
    version : str
        Checksum of the method with all that it is known to have loaded.
    covers : str
        What that is the checksum of, and what is not known.
    loaded : tuple of (str, str)
        Files that it opened with their checksums, packages with their versions.
    stays_loaded : bool
        Whether its process may have served other stacks before, as its table asks for.
    """

    status: Status
    reason: str = ""
    from_outside: bool = False
    result: Result | None = None
    seconds: float = float("nan")
    peak_mb: float | None = None
    stdout: str = ""
    stderr: str = ""
    isolation: str = "none"
    notes: tuple[tuple[str, str], ...] = ()
    version: str = ""
    covers: str = ""
    loaded: tuple[tuple[str, str], ...] = ()
    stays_loaded: bool = False

    def __post_init__(self) -> None:
        # Much of it is a method's own words, and goes to tables, pages and terminals.
        object.__setattr__(self, "reason", plain_line(self.reason))

    def __bool__(self) -> bool:
        """Say whether there is a result."""
        return self.status == "ok"


def as_result(obj: Any, *, info: Mapping[str, Any]) -> Result:
    """Check what a method returned and make a `Result` of it.

    Parameters
    ----------
    obj : array, mapping or object
        The picture itself, or a mapping or object with `image` and optionally `depth`,
        `depth_unit`, `confidence`, `reference` and `used`.
    info : mapping
        The stack's frames.json; the result must fit its ``width_px``, ``height_px`` and number
        of frames.

    Raises
    ------
    InvalidOutput
        Wrong shape or type, values that are not finite or out of range, unknown unit, or an
        index of a frame that does not exist.
    """
    if isinstance(obj, np.ndarray):
        obj = {"image": obj}
    parts = {name: _part(obj, name) for name in _FIELDS}
    if parts["image"] is None:
        raise InvalidOutput(
            f"a result: got {type(obj).__name__} without 'image', allowed an array, or what has one"
        )
    shape = (int(info["height_px"]), int(info["width_px"]))
    count = len(info["frames"])
    used = _frame_indices(parts["used"], count)
    unit = "frame" if parts["depth_unit"] is None else parts["depth_unit"]
    return Result(
        image=_checked_image(parts["image"], shape),
        depth=_checked_depth(parts["depth"], shape, unit, count if used is None else len(used)),
        depth_unit=unit,
        confidence=_checked_confidence(parts["confidence"], shape, parts["depth"]),
        reference=_frame_index(parts["reference"], count, "reference"),
        used=used,
    )


def _part(obj: Any, name: str) -> Any:
    if isinstance(obj, Mapping):
        return obj.get(name)
    return getattr(obj, name, None)


def _checked_image(image: Any, shape: tuple[int, int]) -> Image:
    image = np.asarray(image)
    if image.shape == (*shape, 4):
        raise InvalidOutput(
            "image: got 4 channels, allowed 3: hand over red, green and blue without the "
            "opacity channel"
        )
    if image.shape != (*shape, 3):
        raise InvalidOutput(f"image: got shape {image.shape}, expected {(*shape, 3)}")
    if image.dtype in (np.uint8, np.uint16):
        return np.ascontiguousarray(image)
    if image.dtype.kind != "f":
        raise InvalidOutput(f"image: got type {image.dtype}, allowed uint8, uint16, float in 0..1")
    if not np.isfinite(image).all():
        bad = int(np.count_nonzero(~np.isfinite(image)))
        raise InvalidOutput(f"image: got {bad} values that are NaN or infinite, allowed none")
    low, high = float(image.min()), float(image.max())
    if low < _FLOAT_RANGE[0] or high > _FLOAT_RANGE[1]:
        raise InvalidOutput(f"image: got floats of {low:.4g} to {high:.4g}, allowed 0..1")
    return np.clip(image, 0, 1).astype(np.float32)


def _checked_depth(depth: Any, shape: tuple[int, int], unit: Any, count: int) -> Floats | None:
    if unit not in DEPTH_UNITS:
        raise InvalidOutput(f"depth_unit: got {_shown(unit)}, allowed {', '.join(DEPTH_UNITS)}")
    if depth is None:
        return None
    depth = np.asarray(depth)
    if depth.shape != shape:
        raise InvalidOutput(f"depth: got shape {depth.shape}, expected {shape}")
    if depth.dtype.kind not in "uif":
        raise InvalidOutput(f"depth: got type {depth.dtype}, allowed integer or float")
    if np.isinf(depth).any():
        raise InvalidOutput(
            "depth: got infinite values, allowed finite ones, and NaN where depth is not known"
        )
    if unit == "frame" and not np.isnan(depth).all():
        low, high = float(np.nanmin(depth)), float(np.nanmax(depth))
        if low < -1 or high > count:
            raise InvalidOutput(
                f"depth: got frames {low:.4g} to {high:.4g}, allowed 0..{count - 1}"
            )
    return depth.astype(np.float32)


def _checked_confidence(confidence: Any, shape: tuple[int, int], depth: Any) -> Floats | None:
    if confidence is None:
        return None
    if depth is None:
        raise InvalidOutput("confidence: got it without a depth, allowed with one")
    confidence = np.asarray(confidence)
    if confidence.shape != shape:
        raise InvalidOutput(f"confidence: got shape {confidence.shape}, expected {shape}")
    if confidence.dtype.kind not in "uif":
        raise InvalidOutput(f"confidence: got type {confidence.dtype}, allowed integer or float")
    return confidence.astype(np.float32)


def _frame_index(value: Any, count: int, name: str) -> int | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | np.integer):
        raise InvalidOutput(f"{name}: got {_shown(value)}, allowed a frame index")
    if not 0 <= value < count:
        raise InvalidOutput(f"{name}: got frame {_shown(value)}, allowed 0..{count - 1}")
    return int(value)


def _frame_indices(values: Any, count: int) -> tuple[int, ...] | None:
    if values is None:
        return None
    if not isinstance(values, Sequence | np.ndarray) or isinstance(values, str | bytes):
        raise InvalidOutput(f"used: got {_shown(values)}, allowed a list of frame indices")
    indices = tuple(_frame_index(value, count, "used") for value in values)
    if not indices:
        raise InvalidOutput(
            "used: got no frame, allowed one or more: at least one goes into a picture"
        )
    return tuple(index for index in indices if index is not None)


def _shown(value: Any) -> str:
    """Return a value as a message shows it: in a short line, whatever it is."""
    try:
        return plain_line(repr(value), longest=_SHOWN)
    except ValueError:  # a whole number of more digits than Python writes
        return f"a {type(value).__name__} that is too long to be written"


def depth_to_mm(result: Result, focus_mm: npt.ArrayLike) -> Floats | None:
    """Turn a depth counted in frames into millimetres.

    Parameters
    ----------
    result : Result
    focus_mm : array-like, shape (frames,)
        z of the plane of focus of every frame of the stack, in the reference geometry, mm.

    Returns
    -------
    array (rows, cols) of float32, or None
        Depth as z, mm; positions before the first and after the last used frame take their
        plane of focus. Unchanged when the depth is in mm already.
    """
    if result.depth is None or result.depth_unit == "mm":
        return result.depth
    planes = np.asarray(focus_mm, dtype=float)
    if result.used is not None:
        planes = planes[list(result.used)]
    steps = np.arange(planes.size)
    depth_mm = np.interp(result.depth.ravel(), steps, planes, left=planes[0], right=planes[-1])
    return depth_mm.reshape(result.depth.shape).astype(np.float32)
