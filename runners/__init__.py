"""Runs methods on stacks and scores them."""

from __future__ import annotations

from importlib import import_module
from typing import Any

__all__ = ["Result", "score", "score_stack"]

_HOMES = {
    "Result": ".contract",
    "score": ".judge.scoring",
    "score_stack": ".judge.scoring",
}


def __getattr__(name: str) -> Any:
    """Load a public name when it is asked for: a method's own process needs none of them."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name], __name__), name)
