"""What a metric says about itself: unit, direction, range, source."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

Direction = Literal["higher", "lower", "nearest"]
GROUPS = ("image", "depth", "artefact", "registration", "frames", "sharpness", "fusion")


@dataclass(frozen=True, slots=True, kw_only=True)
class Metric:
    """One metric as tables, plots and reports know it.

    Parameters
    ----------
    name : str
        Column name, with the unit at its end where it has one: ``psnr_db``.
    title : str
        A few words for a table head.
    group : str
        What it scores; one of `GROUPS`. Metrics of one group are called alike.
    unit : str
        Unit of the value, empty for a pure number.
    direction : {'higher', 'lower', 'nearest'}
        Which way is better; 'nearest' means nearest to `best`.
    best : float
        The value of a perfect result, possibly infinite.
    range : tuple of float
        Lowest and highest possible value.
    function : callable
        Computes the value.
    needs : tuple of str
        Keywords the function cannot do without.
    reference : str
        Where the definition comes from; 'ours' where it is our own.
    undefined : str
        When the value is NaN, in words; empty if it never is but for an empty mask.
    """

    name: str
    title: str
    group: str
    unit: str = ""
    direction: Direction
    best: float
    range: tuple[float, float]
    function: Callable[..., float]
    needs: tuple[str, ...] = ()
    reference: str
    undefined: str = ""

    def __post_init__(self) -> None:
        if self.group not in GROUPS:
            raise ValueError(
                f"metric {self.name!r}: group must be one of {GROUPS}, got {self.group!r}"
            )
        low, high = self.range
        if not low <= self.best <= high:
            raise ValueError(f"metric {self.name!r}: best {self.best} is outside {self.range}")

    def better(self, first: float, second: float) -> bool:
        """Whether `first` is better than `second`; never true if either is NaN."""
        if self.direction == "higher":
            return first > second
        if self.direction == "lower":
            return first < second
        return abs(first - self.best) < abs(second - self.best)

    def status(self, value: float) -> str:
        """'ok', or why there is no number."""
        if not math.isnan(value):
            return "ok"
        return f"no pixel to score, or {self.undefined}" if self.undefined else "no pixel to score"
