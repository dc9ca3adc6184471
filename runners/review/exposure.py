"""How much light each frame got, and what its camera wrote of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ...ground.types import Bools, Doubles
from ...simulator.shooting.shoot import USABLE_GAIN_STOPS
from ..calibrate.times import F_NUMBER, ISO, SHUTTER, exif, number_of
from ..methods.picture.stack import InputStack

#: Mean light of a frame, over white, below which it is black: two steps of an 8-bit picture.
BLACK = 0.0006


@dataclass(frozen=True, eq=False, kw_only=True)
class LightLevels:
    """Light of the frames of a burst.

    Parameters
    ----------
    stops : array (frames,)
        Over the median frame.
    clipped : array (frames,)
        Share of the picture that is white.
    dark : array (frames,) of bool
        Which got so little that no merge may count on them.
    black : array (frames,) of bool
        Which show nothing at all.
    settings : tuple of str
        What the camera wrote of each, such as ``1/125 s f/8 ISO 100``; empty where it wrote none.
    f_number : float or None
        That the camera wrote of the first frame.
    """

    stops: Doubles
    clipped: Doubles
    dark: Bools
    black: Bools
    settings: tuple[str, ...]
    f_number: float | None


def exposure_of(stack: InputStack, paths: Sequence[Path]) -> LightLevels:
    """Measure the light of every frame.

    Parameters
    ----------
    stack : InputStack
    paths : sequence of Path
        Files of the frames, in the same order; empty for frames in memory.
    """
    small = [stack.small(frame) for frame in range(len(stack))]
    level = np.array([float(frame.luma.mean()) for frame in small])
    stops = np.log2(np.maximum(level, 1e-9) / max(float(np.median(level)), 1e-9))
    bright = float(np.quantile(level, 0.75))
    tags = [exif(path) for path in paths]
    return LightLevels(
        stops=stops,
        clipped=np.array([float(frame.clipped.mean()) for frame in small]),
        dark=np.asarray(level < bright * 2.0**USABLE_GAIN_STOPS) | (level < BLACK),
        black=np.asarray(level < BLACK),
        settings=tuple(settings(one) for one in tags) or ("",) * len(stack),
        f_number=number_of(tags[0].get(F_NUMBER)) if tags else None,
    )


def settings(tags: Mapping[int, Any]) -> str:
    """Return shutter time, f-number and sensitivity as a line, of what EXIF tags hold of them.

    Examples
    --------
    >>> settings({0x829A: 0.008, 0x829D: 8.0, 0x8827: 100})
    '1/125 s f/8 ISO 100'
    """
    shutter, f_number, iso = (number_of(tags.get(tag)) for tag in (SHUTTER, F_NUMBER, ISO))
    words = []
    if shutter:
        words.append(f"1/{1 / shutter:.0f} s" if shutter < 0.3 else f"{shutter:.3g} s")
    if f_number:
        words.append(f"f/{f_number:.3g}")
    if iso:
        words.append(f"ISO {iso:.0f}")
    return " ".join(words)
