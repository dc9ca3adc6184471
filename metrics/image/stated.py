"""States an image metric once: its computation, and what tables say of it."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from typing import Any

import numpy.typing as npt

from ...ground.types import Bools
from ..checks import as_mask
from ..record import Stated
from .pair import ImagePair

_TAKES = """
Parameters
----------
result, reference : array_like
    Shape (H, W) or (H, W, 3), sRGB-encoded, finite.
data_range : float
    The value of white in both.
mask : array_like, optional
    Pixels to score, shape (H, W) of bool; None means all. An empty mask gives NaN.

Raises
------
ValueError
    Shapes differ, or a value is not finite.
"""


class ImageMetric(Stated):
    """A metric of a result and its reference; see `metrics.image.image` for what it takes."""

    def __init__(self, compute: Callable[..., float], **facts: Any) -> None:
        super().__init__(compute, **facts)
        told, notes, rest = inspect.cleandoc(compute.__doc__ or "").partition("\nNotes\n")
        self.__doc__ = f"{told.rstrip()}\n{_TAKES}{notes}{rest}"

    def __call__(
        self,
        result: npt.ArrayLike,
        reference: npt.ArrayLike,
        *,
        data_range: float,
        mask: npt.ArrayLike | None = None,
    ) -> float:
        """Compute the value of two images over a mask."""
        pair = ImagePair(result, reference, data_range=data_range)
        return self.compute(pair, as_mask(mask, pair.size))


def image_metric(**facts: Any) -> Callable[[Callable[[ImagePair, Bools], float]], ImageMetric]:
    """Make a metric of a function of a pair and a mask; `facts` are those of its `Metric`."""

    def state(compute: Callable[[ImagePair, Bools], float]) -> ImageMetric:
        return ImageMetric(compute, group="image", needs=("data_range",), **facts)

    return state
