"""Small pieces of Markdown."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from stacktruth.ground.columns import Column


def cell(text: str) -> str:
    """Return text for a cell of a table."""
    return " ".join(text.split()).replace("|", "\\|").replace("<", "&lt;")


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table; cells are Markdown already."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines) + "\n"


def columns(found: Iterable[Column], head: str = "column") -> str:
    """Return the table of columns or keys."""
    rows = [[f"`{one.name}`", cell(one.unit), cell(one.range), cell(one.meaning)] for one in found]
    return table([head, "unit", "allowed", "meaning"], rows)
