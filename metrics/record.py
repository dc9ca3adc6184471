"""What a metric says about itself: unit, direction, range, source."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeVar

Direction = Literal["higher", "lower", "nearest"]
GROUPS = ("image", "depth", "artefact", "registration", "tone", "frames", "sharpness", "fusion")


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

    @property
    def wanted(self) -> str:
        """Which way is better, in words: ``higher``, ``lower`` or ``nearest 1``."""
        return f"nearest {self.best:g}" if self.direction == "nearest" else self.direction

    def better(self, first: float, second: float) -> bool:
        """Whether `first` is better than `second`; never true if either is NaN.

        Parameters
        ----------
        first, second : float
            In the metric's unit.
        """
        if self.direction == "higher":
            return first > second
        if self.direction == "lower":
            return first < second
        return abs(first - self.best) < abs(second - self.best)

    def status(self, value: float) -> str:
        """Return 'ok', or why there is no number.

        Parameters
        ----------
        value : float
            What the metric gave.
        """
        if not math.isnan(value):
            return "ok"
        return f"no pixel to score, or {self.undefined}" if self.undefined else "no pixel to score"


class Stated(ABC):
    """A metric stated once: how it is computed, and what tables say of it.

    It is computed of material that several metrics share, such as a pair of images with their
    maps. Called with plain arrays, it prepares that material itself.

    Parameters
    ----------
    compute : callable
        From the material to the value; gives the metric its name and its docstring.
    **facts
        The rest of its `Metric`; `name` where it is not the function's.
    """

    def __init__(self, compute: Callable[..., float], **facts: Any) -> None:
        self.compute = compute
        self.__name__ = str(facts.pop("name", compute.__name__))
        self.__doc__ = compute.__doc__
        self.record = Metric(name=self.__name__, function=self, **facts)

    @abstractmethod
    def __call__(self, *given: Any, **options: Any) -> float:
        """Compute the value of what a user gives."""


S = TypeVar("S", bound=Stated)


def chosen(stated: Sequence[S], names: Iterable[str] | None) -> list[S]:
    """Return the metrics of these names, in the names' order; all of them for None.

    Raises
    ------
    ValueError
        A name is not known.
    """
    known = {metric.record.name: metric for metric in stated}
    wanted = list(known) if names is None else list(names)
    unknown = [name for name in wanted if name not in known]
    if unknown:
        raise ValueError(f"names must be among {list(known)}, got {unknown}")
    return [known[name] for name in wanted]
