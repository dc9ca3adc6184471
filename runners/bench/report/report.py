"""A benchmark as one page that needs no network, and can be read without its script."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ....ground.atomic import write_whole
from ....ground.json_text import read_json
from ....simulator.data import DataFileError
from ...contract import DONE
from ...request import RequestError
from ..grid.cells import PLAIN, cells_of
from ..grid.suite import Suite, load_suite, suite_in
from ..ranking.factors import kinds_of
from ..ranking.folder import ROWS, published_rows
from ..ranking.interval import typical
from ..ranking.metric_column import LOST, metric_column
from ..ranking.scenes import SKIPPED, by_scene
from ..ranking.standings import Standings, pairs_table, standings
from ..ranking.standings_text import standings_json
from ..ranking.words import headline
from ..running.folder import refuse_foreign_tables
from ..running.store import Store
from ..running.tables import write_table, write_tables
from . import tables as made
from .charts import factor_maps
from .choices import FACTORS, choices, tell
from .curves import curves
from .page import page_of
from .tables import MAIN
from .viewer import BUDGET_BYTES, viewer
from .viewer_parts import Viewer

_TOLD = ("stacktruth", "commit", "changed_files", "python", "numpy", "scipy", "machine", "cores",
         "system", "workers", "threads", "memory_limits")  # fmt: skip
#: Bytes of a page with its pictures; what they are labelled with stays below a megabyte more.
_ALL_BYTES = 14_000_000
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


def write_report(folder: str | Path, *, workers: int = 1, progress: bool = False) -> Path:
    """Write ``report.html`` of what is done in a benchmark's folder.

    Parameters
    ----------
    folder : path
    workers : int
        Processes that make the pictures.
    progress : bool
        Whether to draw a progress bar on stderr while pictures are made.

    Raises
    ------
    RequestError
        The folder holds no benchmark, or nothing is done in it yet.

    Notes
    -----
    A published folder has tables and no cells: its page is made of ``rows.csv``, which stays as it
    is, and has no pictures.
    """
    store = Store(Path(folder))
    suite = suite_in(store.path)
    cells = cells_of(suite)
    refuse_foreign_tables(store.path)
    rows = write_tables(store, cells)
    if rows.empty and not store.stamps() and (store.path / ROWS).exists():
        rows = published_rows(store.path)
    if rows.empty:
        raise RequestError(f"{folder}: no cell is done that this version of the code made")
    rows = rows.assign(**{name: np.nan for name in _NEEDED if name not in rows})
    known = _environment(store.path / "environment.json")
    plain = rows[rows["condition"] == PLAIN]
    found = standings(plain, metric_column(LOST, plain.columns))
    write_standings(store.path, found)
    kinds = kinds_of(suite)
    first, more = _tables(plain, rows, found)
    again = f"stacktruth bench {shlex.quote(called(suite))} --out again"
    filled = partial(
        page_of,
        "report.html",
        title=f"{suite.name}: {suite.title}" if suite.title else suite.name,
        summary=summary(rows, len(cells), found, suite),
        told=tell(plain, found, kinds),
        choices=choices(plain, found.metric, kinds),
        maps=list(factor_maps(plain, found, kinds, FACTORS)),
        first=first,
        more=more,
        curves=curves(rows, suite.ladders),
        cells=made.every_cell(rows, [f"{again} --only {key}" for key in rows["cell_key"]]),
        again=f"{again} --workers {known.get('workers', 1)}",
        environment=[(name, known.get(name, "")) for name in _TOLD],
    )
    bare = len(filled(viewer=Viewer(scenes=(), notes=())).encode())
    room = min(BUDGET_BYTES, max(0, _ALL_BYTES - bare))
    page = filled(
        viewer=viewer(store, cells, budget_bytes=room, workers=workers, progress=progress)
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


def write_standings(folder: Path, found: Standings) -> None:
    """Write ``standings.csv``, ``standings.json`` and ``pairs.csv``."""
    write_whole(folder / "standings.json", standings_json(found).encode("utf-8", "replace"))
    for name, table in (("standings", found.table), ("pairs", pairs_table(found.pairs))):
        write_table(folder / f"{name}.csv", table)


def _tables(
    plain: pd.DataFrame, rows: pd.DataFrame, found: Standings
) -> tuple[list[made.PageTable], list[made.PageTable]]:
    """Return the tables that come first, and those for a closer look; empty ones left out."""
    if plain[MAIN].isna().all():
        return [], [table for table in [made.failures(rows)] if table.rows]
    first = [
        made.above_limits(rows),
        made.standing(plain, found),
        made.loss_split(plain),
        made.stages(plain),
    ]
    more = [
        made.regions(plain),
        made.depths(plain),
        made.artefacts(plain),
        made.pairs(plain, found),
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


def _remark(suite: Suite) -> list[str]:
    """Return why a suite ranks nothing, if there is a reason."""
    if not suite.shortcomings:
        return []
    return [
        f"This suite ranks no method as one is used in the field: {'; '.join(suite.shortcomings)}."
    ]


def summary(rows: pd.DataFrame, cells: int, found: Standings, suite: Suite) -> list[str]:
    """Return the outcome in words: first who, by how much, how sure."""
    bad = (~rows["status"].isin(DONE)).sum()
    skipped = (rows["status"] == SKIPPED).sum()
    done = f"{len(rows)} of {cells} cells are done; {bad} of them failed" + (
        f", {skipped} were skipped." if skipped else "."
    )
    plain = rows[rows["condition"] == PLAIN]
    if plain[MAIN].isna().all():
        return ["No method has a result on a plain stack yet.", done]
    limits = {
        name: typical(by_scene(plain, f"{name}.psnr_db").max(axis=1).to_numpy()).typical
        for name in LIMITS
    }
    flagged = made.lies_above(rows).sum()
    return [
        headline(found),
        *_remark(suite),
        f"The frames' sharpness typically allows {limits['capture']:.1f} dB against the ideal "
        "picture (capture limit): what is missing from there was lost by hands, step and light. "
        f"Choosing among the frames can have {limits['selection']:.1f} dB of it (selection limit). "
        "The merge lost the rest. A failed cell counts as the worst result on its scene.",
        *([f"{flagged} results lie above a limit by more than they rightly can."] * bool(flagged)),
        done,
    ]
