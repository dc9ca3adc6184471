"""A benchmark as one page that needs no network, and can be read without its script."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ....ground.atomic import write_whole
from ....ground.json_text import read_json
from ....simulator.data import DataFileError
from ...request import RequestError
from ..grid.cells import PLAIN, cells_of
from ..grid.suite import Suite, load_suite, suite_in
from ..running.folder import refuse_foreign_tables
from ..running.store import Store
from ..running.tables import write_tables
from . import tables as made
from .curves import curves
from .page import page_of
from .statistics import by_scene
from .tables import LOST, MAIN
from .viewer import viewer

_TOLD = ("stacktruth", "commit", "changed_files", "python", "numpy", "scipy", "machine", "cores",
         "system", "workers", "threads")  # fmt: skip
LIMITS = ("capture", "selection")
#: Columns that a page is made of; a benchmark in which all cells failed has none of them.
_NEEDED = (
    MAIN,
    LOST,
    "capture.psnr_db",
    "selection.psnr_db",
    "selection_loss_db",
    "total.ssim",
    "residual_px",
)


def write_report(folder: str | Path, *, progress: bool = False) -> Path:
    """Write ``report.html`` of what is done in a benchmark's folder.

    Parameters
    ----------
    folder : path
    progress : bool
        Whether to draw a progress bar on stderr while pictures are made.

    Raises
    ------
    RequestError
        The folder holds no benchmark, or nothing is done in it yet.
    """
    store = Store(Path(folder))
    suite = suite_in(store.path)
    cells = cells_of(suite)
    refuse_foreign_tables(store.path)
    rows = write_tables(store, cells)
    if rows.empty:
        raise RequestError(f"{folder}: no cell is done that this version of the code made")
    rows = rows.assign(**{name: np.nan for name in _NEEDED if name not in rows})
    known = _environment(store.path / "environment.json")
    plain = rows[rows["condition"] == PLAIN]
    first, more = _tables(plain, rows)
    again = f"stacktruth bench {shlex.quote(called(suite))} --out again"
    page = page_of(
        "report.html",
        title=f"{suite.name}: {suite.title}" if suite.title else suite.name,
        summary=summary(rows, len(cells)),
        first=first,
        more=more,
        viewer=viewer(store, cells, progress=progress),
        curves=curves(rows, suite.ladders),
        cells=made.every_cell(rows, [f"{again} --only {key}" for key in rows["cell_key"]]),
        again=f"{again} --workers {known.get('workers', 1)}",
        environment=[(name, known.get(name, "")) for name in _TOLD],
    )
    path = store.path / "report.html"
    write_whole(path, page.encode())
    return path


def _environment(path: Path) -> Mapping[str, Any]:
    """Return what a benchmark says that it ran on; nothing where that is missing or damaged."""
    try:
        known = read_json(path)
    except (OSError, ValueError):
        return {}
    return known if isinstance(known, dict) else {}


def _tables(
    plain: pd.DataFrame, rows: pd.DataFrame
) -> tuple[list[made.PageTable], list[made.PageTable]]:
    """Return the tables that come first, and those for a closer look; empty ones left out."""
    if plain[MAIN].isna().all():
        return [], [table for table in [made.failures(rows)] if table.rows]
    first = [
        made.above_limits(rows),
        made.standing(plain),
        made.loss_split(plain),
        made.stages(plain),
    ]
    more = [
        made.regions(plain),
        made.depths(plain),
        made.artefacts(plain),
        made.pairs(plain),
        made.failures(rows),
    ]
    return [table for table in first if table.rows], [table for table in more if table.rows]


def called(suite: Suite) -> str:
    """Return what a command names a suite by: its own name, or its file's."""
    try:
        shipped = load_suite(suite.name)
    except DataFileError:
        return f"{suite.name}.toml"
    return suite.name if shipped == suite else f"{suite.name}.toml"


def summary(rows: pd.DataFrame, cells: int) -> list[str]:
    """Return the outcome in words."""
    done = (
        f"{len(rows)} of {cells} cells are done; {(rows['status'] != 'ok').sum()} of them failed."
    )
    plain = rows[rows["condition"] == PLAIN]
    if plain[MAIN].isna().all():
        return [done, "No method has a result on a plain stack yet."]
    lost = by_scene(plain, LOST, higher_is_better=False).mean().sort_values(kind="stable")
    best, last = lost.index[0], lost.index[-1]
    table = by_scene(plain, MAIN)
    means = table.mean()
    limits = {name: by_scene(plain, f"{name}.psnr_db").max(axis=1).mean() for name in LIMITS}
    flagged = rows.get("above_limit", pd.Series("", index=rows.index)).fillna("").ne("").sum()
    return [
        f"{done} On {len(table)} scenes {best} came out best with {means[best]:.1f} dB against the "
        f"ideal picture, {last} worst with {means[last]:.1f} dB.",
        f"The frames' sharpness allows {limits['capture']:.1f} dB on average (capture limit): what "
        "is missing from there to the ideal was lost by hands, step and light. Choosing among the "
        f"frames can have {limits['selection']:.1f} dB of it (selection limit). {best} lost "
        f"{lost[best]:.1f} dB in the merge. A failed cell counts as the worst result on its scene.",
        *([f"{flagged} results lie above a limit by more than they rightly can."] * bool(flagged)),
    ]
