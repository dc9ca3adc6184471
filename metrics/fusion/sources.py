"""What a truth-free fusion metric looks at: the fused image, the frames it came from, a mask."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ...ground.srgb import luma
from ...ground.types import Bools, Floats
from ..checks import as_mask, unit_image
from ..record import Stated


@dataclass(frozen=True, slots=True)
class Sources:
    """A fused image and its frames as grey planes 0..1.

    Parameters
    ----------
    fused : array (H, W) of float32
    sequence : sequence of array_like
        The frames as given; they are turned grey when asked for and not kept.
    data_range : float
    mask : array (H, W) of bool
        Where to score.
    """

    fused: Floats
    sequence: Sequence[npt.ArrayLike]
    data_range: float
    mask: Bools

    def frames(self) -> Iterator[Floats]:
        """Yield the frames one at a time.

        Raises
        ------
        ValueError
            A frame is not an image, or differs in shape from the fused image.
        """
        for number, frame in enumerate(self.sequence):
            grey = luma(unit_image(frame, data_range=self.data_range, name=f"frame {number}"))
            if grey.shape != self.fused.shape:
                raise ValueError(
                    f"frame {number} must have the height and width of the fused image "
                    f"{self.fused.shape}, got {grey.shape}"
                )
            yield grey

    def __len__(self) -> int:
        return len(self.sequence)


def gather(
    fused: npt.ArrayLike,
    frames: Sequence[npt.ArrayLike],
    *,
    data_range: float,
    mask: npt.ArrayLike | None = None,
) -> Sources:
    """Check a fused image and its frames.

    Parameters
    ----------
    fused : array_like (H, W) or (H, W, 3)
        The result. Colour is scored by its luma.
    frames : sequence of array_like
        Two frames or more of the same height and width, lined up with the result.
    data_range : float
        The value of white; black is 0.
    mask : array_like (H, W) of bool, optional
        Where to score; everywhere if not given.

    Raises
    ------
    ValueError
        Fewer than two frames, a wrong shape, or a value that is not finite.
    """
    if len(frames) < 2:
        raise ValueError(f"frames must hold two images or more, got {len(frames)}")
    grey = luma(unit_image(fused, data_range=data_range, name="fused"))
    return Sources(grey, frames, data_range, as_mask(mask, grey.shape))


class FusionMetric(Stated):
    """A metric of a result and the frames it came from; it takes what `gather` takes."""

    def __call__(
        self,
        fused: npt.ArrayLike,
        frames: Sequence[npt.ArrayLike],
        *,
        data_range: float,
        mask: npt.ArrayLike | None = None,
        **options: Any,
    ) -> float:
        """Compute the value of a result over a mask; the options are the metric's own."""
        sources = gather(fused, frames, data_range=data_range, mask=mask)
        return self.compute(sources, **options)


def fusion_metric(
    title: str, reference: str, **facts: Any
) -> Callable[[Callable[..., float]], FusionMetric]:
    """Make a metric of a function of `Sources`; `facts` are those of its `Metric`."""
    usual: dict[str, Any] = {"direction": "higher", "best": 1.0, "range": (-1.0, 1.0)}
    usual |= {"group": "fusion", "needs": ("data_range",), "title": title, "reference": reference}
    return lambda compute: FusionMetric(compute, **(usual | facts))


def weighted_mean(values: npt.NDArray, weights: npt.NDArray, mask: Bools) -> float:
    """Mean of a map over a mask; where all weights are 0 each pixel counts alike."""
    chosen, weight = values[mask], weights[mask]
    if chosen.size == 0:
        return float("nan")
    total = float(weight.sum(dtype=np.float64))
    if total <= 0.0:
        return float(chosen.mean(dtype=np.float64))
    return float(np.sum(chosen * weight, dtype=np.float64) / total)


class Blend:
    """A running weighted mean of maps, pixel by pixel; equal weights where all are 0."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self.weighted = np.zeros(shape)
        self.weights = np.zeros(shape)
        self.plain = np.zeros(shape)
        self.strongest = np.zeros(shape)
        self.count = 0

    def add(self, values: npt.NDArray, weight: npt.NDArray) -> None:
        """Take in one map with its weights, which are not negative."""
        self.weighted += values * weight
        self.weights += weight
        self.plain += values
        np.maximum(self.strongest, weight, out=self.strongest)
        self.count += 1

    def mean(self) -> npt.NDArray[np.float64]:
        """Mean of the maps so far."""
        plain = self.plain / self.count
        return np.divide(self.weighted, self.weights, out=plain, where=self.weights > 0.0)
