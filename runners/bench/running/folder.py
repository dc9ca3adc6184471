"""What may stand in a folder before a benchmark writes to it: nothing that is there is lost."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from ....ground.text import plain_line
from ...request import RequestError
from ..grid.cells import Cell
from ..grid.suite import SUITE, Suite, suite_in
from .store import Store

#: Tables of a benchmark, each with columns by which it is told from one of another make.
TABLES = {
    "rows.csv": ("suite", "cell_key"),
    "times.csv": ("cell_key", "scene", "method"),
    "standings.csv": ("method", "ranked", "typical"),
    "pairs.csv": ("first", "second", "advantage"),
}
_OURS = {
    SUITE,
    "environment.json",
    "cells",
    "stacks",
    "outputs",
    "report.html",
    "standings.json",
    *TABLES,
}
#: By which rows.csv is told where it is damaged further on: it is written anew from the cells.
_BEGINNING = "suite,condition,severity,value,window,"
_SHOWN = 4


def refuse_other_contents(store: Store, suite: Suite, cells: Sequence[Cell]) -> None:
    """Refuse a folder with anything that this suite's tables would take the place of.

    Parameters
    ----------
    store : Store
        Of a folder that may not be there yet.
    suite : Suite
        To be run.
    cells : sequence of Cell
        Its own.

    Raises
    ------
    RequestError
        The folder holds another suite with finished cells, or what is no benchmark.
    """
    path = store.path
    if not path.is_dir():
        return
    names = sorted(os.listdir(path))
    if any(name not in _OURS and not name.startswith(".") for name in names) and not {
        SUITE,
        "cells",
    } & set(names):
        raise RequestError(
            f"{path}: holds {_some(names)}, which is no benchmark: got a folder of something else, "
            "allowed a new or an empty one\nnothing was changed"
        )
    refuse_foreign_tables(path)
    _refuse_another_suite(store, suite, cells)


def refuse_foreign_tables(folder: Path) -> None:
    """Refuse a folder in which a table of another make stands where ours goes.

    Raises
    ------
    RequestError
    """
    for name, columns in TABLES.items():
        try:
            with (folder / name).open("rb") as file:
                head = file.readline(100_000).decode("utf-8", "replace").rstrip("\r\n")
        except FileNotFoundError:
            continue
        except OSError as error:
            raise RequestError(
                f"{folder / name}: got {error.strerror!r}, expected a table or nothing"
            ) from error
        found = head.split(",")
        cut_short = name == "rows.csv" and head.startswith(_BEGINNING)
        if head and not cut_short and not all(column in found for column in columns):
            raise RequestError(
                f"{folder / name}: is no table of a benchmark: got the first line "
                f"{plain_line(head, longest=80)!r}, expected columns {', '.join(columns)}\n"
                "move it away, or give another folder; nothing was changed"
            )


def _refuse_another_suite(store: Store, suite: Suite, cells: Sequence[Cell]) -> None:
    try:
        held = suite_in(store.path)
    except ValueError:  # none yet, or damaged: it is written anew
        return
    if held == suite:
        return
    lost = store.stamps().keys() - {cell.key for cell in cells}
    if lost:
        raise RequestError(
            f"{store.path}: holds {len(lost)} finished cells of suite {held.name!r} "
            f"({len(held.scenes)} scenes, {len(held.methods)} methods) that suite {suite.name!r} "
            "has not; give a new folder\nnothing was changed"
        )


def _some(names: Sequence[str]) -> str:
    shown = ", ".join(plain_line(name, longest=60) for name in names[:_SHOWN])
    return shown if len(names) <= _SHOWN else f"{shown} and {len(names) - _SHOWN} more"
