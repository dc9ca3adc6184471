"""What a focus measure is: a filter of a frame or a few neighbouring ones, with its facts."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ...ground.types import Reals

# Values worked on at once, about what a processor's cache holds of a measure's temporaries: small
# frames go through together, large ones in bands of rows.
_BLOCK = 1 << 17
_FRAMES_IN_REACH = 8  # of a measure over several frames: the neighbours are worked out again


def near_window(window: int, **_: Any) -> int:
    """Rows that a 3 x 3 or 5 x 5 mask and a window reach to either side."""
    return window // 2 + 2


def two_windows(window: int, **_: Any) -> int:
    """Rows that two windows, one after the other, reach to either side."""
    return 2 * (window // 2)


def gaussian_rows(window: int, *, sigma: float | None = None) -> int:
    """Rows that a Gaussian cut at four sigma and a window reach to either side."""
    width = window / 5.0 if sigma is None else sigma
    return window // 2 + int(4.0 * width + 0.5)


@dataclass(frozen=True, slots=True)
class Measure:
    """One focus measure; call it with a frame.

    Parameters
    ----------
    code : str
        Operator code of Pertuz, Puig and Garcia (2013), in lower case.
    family : str
    title : str
        Name in words.
    reference : str
        Where the measure comes from.
    function : callable
        ``function(frames, window, **options)``; frames are (n + 2 reach, rows, columns) and the
        result (n, rows, columns).
    degree : float or None
        f(c I) = c^degree f(I); None where no such law holds.
    offset_free : bool
        Whether adding a constant to the image leaves the measure as it is.
    signed : bool
        Whether negative values mean something; else they are rounding and are cut to 0.
    reach : int
        Frames it looks at on either side of its own.
    rows : callable or None
        ``rows(window, **options)``: rows of the image it looks at on either side. None for a
        measure that needs the whole frame.
    """

    code: str
    family: str
    title: str
    reference: str
    function: Callable[..., Reals]
    degree: float | None
    offset_free: bool = True
    signed: bool = False
    reach: int = 0
    rows: Callable[..., int] | None = near_window

    def __call__(self, image: npt.ArrayLike, window: int = 9, **options: Any) -> Reals:
        """Focus map of a frame, or of each frame of a stack.

        Parameters
        ----------
        image : array_like (rows, columns) or (n, rows, columns)
            Grey image, linear or not. Integers are read as shares of their type's largest value;
            floats are taken as they are.
        window : int
            Side of the square the measure is averaged over, in pixels: odd, no larger than the
            image.
        **options
            Free choices of the measure, see its function.

        Returns
        -------
        array of the shape of `image`
            Larger is sharper. float32 for float32 and for integers, else float64. Edge pixels
            (and, for a measure over several frames, end frames) are repeated outside.

        Raises
        ------
        ValueError
            The image is not grey, is empty or holds NaN or infinity; the window does not fit.
        """
        frames = as_grey(image)
        check_window(window, frames.shape)
        if frames.ndim == 2:
            return self._whole(frames[None], window, options)[0]
        return self._whole(frames, window, options)

    def _whole(self, frames: Reals, window: int, options: dict[str, Any]) -> Reals:
        """Work through a stack some frames at a time, so that temporaries stay small."""
        count = len(frames)
        step = max(_FRAMES_IN_REACH if self.reach else 1, _BLOCK // frames[0].size)
        maps = np.empty_like(frames)
        for start in range(0, count, step):
            stop = min(start + step, count)
            wanted = np.clip(np.arange(start - self.reach, stop + self.reach), 0, count - 1)
            part = frames[wanted] if self.reach else frames[start:stop]
            self._in_bands(part, maps[start:stop], window, options)
        return maps

    def _in_bands(self, frames: Reals, maps: Reals, window: int, options: dict[str, Any]) -> None:
        """Fill the maps a band of rows at a time, each with the rows it looks at beyond."""
        rows, columns = frames.shape[-2:]
        beyond = rows if self.rows is None else self.rows(window, **options)
        height = max(4 * beyond, _BLOCK // (len(frames) * columns))
        for start in range(0, rows, height):
            stop = min(start + height, rows)
            first, last = max(0, start - beyond), min(rows, stop + beyond)
            band = self._apply(frames[:, first:last], window, options)
            maps[:, start:stop] = band[:, start - first : stop - first]

    def _apply(self, frames: Reals, window: int, options: dict[str, Any]) -> Reals:
        maps = self.function(frames, window, **options)
        return maps if self.signed else np.maximum(maps, 0.0, out=maps)

    def stream(
        self, frames: Iterable[npt.ArrayLike], window: int = 9, **options: Any
    ) -> Iterator[Reals]:
        """Yield the focus map of each frame of a sweep, holding only the frames in reach.

        Parameters
        ----------
        frames : iterable of array_like (rows, columns)
            Grey frames in the order of the sweep, all of one shape.
        window, **options
            As in a call.
        """
        held: deque[Reals] = deque(maxlen=2 * self.reach + 1)
        for frame in frames:
            grey = as_grey(frame)
            check_window(window, grey.shape)
            _check_same(grey, held)
            held.extend([grey] * (1 if held else self.reach + 1))
            if len(held) == held.maxlen:
                yield self._held(held, window, options)
        yield from self._tail(held, window, options)

    def _tail(self, held: deque[Reals], window: int, options: dict[str, Any]) -> Iterator[Reals]:
        """Yield the maps of the last frames, which have to wait for frames that do not come."""
        for _ in range(self.reach if held else 0):
            held.append(held[-1])
            if len(held) == held.maxlen:
                yield self._held(held, window, options)

    def _held(self, held: deque[Reals], window: int, options: dict[str, Any]) -> Reals:
        maps = np.empty_like(held[0])[None]
        self._in_bands(np.stack(held), maps, window, options)
        return maps[0]


def as_grey(image: npt.ArrayLike) -> Reals:
    """Check a grey frame or stack of frames and return it as floats.

    Raises
    ------
    ValueError
        It has other than two or three axes, looks like colour, is empty, or is not finite.
    TypeError
        It is not made of real numbers.
    """
    array = np.asarray(image)
    if array.ndim not in (2, 3) or array.size == 0:
        raise ValueError(
            f"image must be grey, (rows, columns) or (n, rows, columns), got {array.shape}"
        )
    if array.ndim == 3 and array.shape[-1] in (3, 4) and array.shape[0] > 4:
        raise ValueError(f"image must be grey, got shape {array.shape}, which looks like colour")
    grey = _as_float(array)
    if not np.isfinite(grey).all():
        bad = np.argwhere(~np.isfinite(grey))
        raise ValueError(
            f"image must be finite, got {len(bad)} NaN or infinite pixels, the first at "
            f"{tuple(bad[0].tolist())}; crop or fill them first"
        )
    return grey


def _as_float(array: npt.NDArray[Any]) -> Reals:
    if array.dtype in (np.float32, np.float64):
        return array
    if array.dtype == np.float16:
        return array.astype(np.float32)
    if np.issubdtype(array.dtype, np.unsignedinteger):
        return array.astype(np.float32) / np.float32(np.iinfo(array.dtype).max)
    raise TypeError(f"image must be floats or unsigned integers, got {array.dtype}")


def check_window(window: int, shape: tuple[int, ...]) -> None:
    """Raise ValueError unless the window is odd and fits the image."""
    limit = min(shape[-2:])
    if window < 1 or window % 2 == 0 or window > limit:
        raise ValueError(
            f"window must be an odd number of pixels from 1 to {limit} (the image is "
            f"{shape[-2]} x {shape[-1]}), got {window}"
        )


def _check_same(frame: Reals, held: deque[Reals]) -> None:
    if held and frame.shape != held[-1].shape:
        raise ValueError(f"frame has shape {frame.shape}, the one before {held[-1].shape}")
