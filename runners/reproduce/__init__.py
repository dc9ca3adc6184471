"""Published comparisons of focus measures and of metrics, done again."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from pathlib import Path

from ...ground.spelling import nearest
from . import (
    autofocus,
    blocks,
    depth_aperture,
    depth_step,
    fusion_metrics,
    interpolation,
    metric_order,
    operators,
    window_edges,
)

REPRODUCTIONS: dict[str, Callable[..., None]] = {
    "autofocus-curves": autofocus.run,
    "depth-aperture": depth_aperture.run,
    "depth-step": depth_step.run,
    "fusion-blocks": blocks.run,
    "fusion-metrics": fusion_metrics.run,
    "metric-order": metric_order.run,
    "peak-interpolation": interpolation.run,
    "sff-operators-2013": operators.run,
    "window-edges": window_edges.run,
}


def reproduce(
    name: str,
    *,
    out: str | Path,
    seed: int = 0,
    quick: bool = False,
    workers: int = 1,
    progress: bool = True,
) -> int:
    """Do a published comparison again and write tables, a figure and a plain account.

    Parameters
    ----------
    name : str
        Key of `REPRODUCTIONS`.
    out : path
        Folder for the results; made if it is not there.
    seed : int
        Of every random number drawn.
    quick : bool
        Small pictures and few trials, to see that all is in order.
    workers : int
        Processes; the results are the same for any number, but for measured times.
    progress : bool
        Show what is being done on the standard error stream.

    Returns
    -------
    int
        0. A claim that is not reproduced is a result, not a failure.

    Raises
    ------
    ValueError
        No reproduction has this name, or the seed is negative.
    """
    run = reproduction(name)
    if seed < 0:
        raise ValueError(f"seed must be >= 0, got {seed}")
    folder = Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    run(folder, seed=seed, quick=quick, workers=workers, progress=progress)
    return 0


def reproduction(name: str) -> Callable[..., None]:
    """Return what does a comparison again.

    Raises
    ------
    ValueError
        No reproduction has this name.
    """
    if name not in REPRODUCTIONS:
        raise ValueError(
            f"no reproduction is called {name!r}{nearest(name, REPRODUCTIONS)}; "
            f"there are {', '.join(REPRODUCTIONS)}"
        )
    return REPRODUCTIONS[name]


def titles() -> dict[str, str]:
    """Return each name and what it is, in one line."""
    heads = {
        name: str(import_module(run.__module__).__doc__).partition("\n")[0]
        for name, run in REPRODUCTIONS.items()
    }
    return {name: head.partition(": ")[2].rstrip(".") for name, head in heads.items()}


__all__ = ["REPRODUCTIONS", "reproduce", "reproduction", "titles"]
