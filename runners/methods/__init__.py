"""Stacking methods: stages, and the literature's algorithms as recipes of stages."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from ..contract import Result
from .oracle import TRUE_STAGES, GivenTruth, with_truth
from .recipe import Recipe
from .registry import METHODS, ORACLE

__all__ = ["METHODS", "TRUE_STAGES", "GivenTruth", "Recipe", "built_in"]


def built_in(
    spec: str, *, truth: GivenTruth | None = None
) -> Callable[[Sequence[Any], Mapping[str, Any]], Result]:
    """Return a built-in method: ``NAME`` or ``NAME+true-choice+true-warp+true-map``.

    A method with a true stage that is called without the truth says that this stack is not for
    it (NotImplementedError), so its row is "skipped".

    Raises
    ------
    KeyError
        Unknown name or stage.
    """
    name, *stages = spec.split("+")
    recipe = METHODS[name]
    unknown = [stage for stage in stages if stage not in TRUE_STAGES]
    if unknown:
        raise KeyError(unknown[0])
    if name == ORACLE:
        stages = list(TRUE_STAGES)
    if not stages:
        return recipe
    if truth is None:
        return _needs_truth
    return with_truth(recipe, stages, truth)


def _needs_truth(frames: Sequence[Any], info: Mapping[str, Any]) -> Result:
    raise NotImplementedError("it needs the stack's truth, which is not at hand")
