"""Stacking methods: stages, and the literature's algorithms as recipes of stages."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from ..contract import Result
from .oracle import GivenTruth
from .recipe import Recipe
from .registry import METHODS, ORACLE
from .stages import STAGES, TRUE_STAGES

__all__ = ["METHODS", "STAGES", "TRUE_STAGES", "GivenTruth", "Recipe", "built_in", "needs_truth"]


def built_in(
    spec: str, *, truth: GivenTruth | None = None
) -> Callable[[Sequence[Any], Mapping[str, Any]], Result]:
    """Return a built-in method: ``NAME``, or ``NAME+STAGE+...`` with other stages than its own.

    Parameters
    ----------
    spec : str
        Names of `METHODS` and `STAGES`.
    truth : GivenTruth, optional
        For true stages. Without it a truth-fed method says that this stack is not for it
        (NotImplementedError), so its row is "skipped".

    Raises
    ------
    KeyError
        Unknown name or stage.

    Examples
    --------
    >>> import numpy as np
    >>> frames = [np.full((64, 96, 3), 1000 * k, np.uint16) for k in (1, 2, 3)]
    >>> info = {"reference": 1, "encoding": "srgb", "frames": [{}] * 3}
    >>> result = built_in("middle-frame")(frames, info)
    >>> result.reference, result.image.shape
    (1, (64, 96, 3))
    """
    name, *stages = spec.split("+")
    recipe = replace(METHODS[name], name=spec)
    chosen = [STAGES[stage] for stage in [*(TRUE_STAGES if name == ORACLE else ()), *stages]]
    if truth is None and needs_truth(spec):
        return _without_truth
    for stage in chosen:
        recipe = stage.put_into(recipe, truth)
    return recipe


def needs_truth(spec: str) -> bool:
    """Tell whether a built-in method is truth-fed.

    Examples
    --------
    >>> needs_truth("oracle"), needs_truth("focus-map"), needs_truth("focus-map+true-warp")
    (True, False, True)
    """
    name, *stages = spec.split("+")
    return name == ORACLE or any(stage in TRUE_STAGES for stage in stages)


def _without_truth(frames: Sequence[Any], info: Mapping[str, Any]) -> Result:
    raise NotImplementedError("it needs the stack's truth, which is not at hand")
