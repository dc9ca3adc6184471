"""Tables as CSV that a spreadsheet reads as text and numbers, and never as formulas.

A spreadsheet runs a cell that begins with = + - or @, also where it was meant as a name. Such text
gets an apostrophe in front, which spreadsheets take as the mark of a text; `read_rows` takes it
away again (OWASP, "CSV Injection").
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

#: What a spreadsheet may take for the beginning of a formula; the last is our own mark.
_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "'")


def harmless(value: Any) -> Any:
    """Return a cell as it is written: text that could be run is marked; the rest as it is."""
    return f"'{value}" if isinstance(value, str) and value.startswith(_STARTS) else value


def as_meant(value: Any) -> Any:
    """Return a cell as it was before `harmless`."""
    return value[1:] if isinstance(value, str) and value.startswith("'") else value


def csv_text(rows: pd.DataFrame) -> str:
    """Return a table as CSV."""
    marked = rows.copy()
    for name in marked.columns[[not _holds_numbers(rows[name]) for name in rows.columns]]:
        marked[name] = [harmless(value) for value in rows[name]]
    return str(marked.to_csv(index=False, lineterminator="\n"))


def write_rows(path: Path, rows: pd.DataFrame) -> None:
    """Write a table as CSV, in UTF-8."""
    path.write_bytes(csv_text(rows).encode("utf-8", "replace"))


def read_rows(path: str | Path) -> pd.DataFrame:
    """Read a table that `csv_text` made; text is as it was before."""
    import pandas as pd  # noqa: PLC0415 - slow to load

    rows = pd.read_csv(path)
    for name in rows.columns:
        if not _holds_numbers(rows[name]):
            rows[name] = [as_meant(value) for value in rows[name]]
    return rows


def _holds_numbers(column: Any) -> bool:
    return bool(column.dtype.kind in "biufc")
