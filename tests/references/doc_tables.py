"""Text of a documentation page that a command writes: between two marks that name it."""

from __future__ import annotations

from pathlib import Path


def fill(path: Path, name: str, text: str) -> None:
    """Put text between ``<!-- NAME: begin -->`` and ``<!-- NAME: end -->`` of a page.

    Raises
    ------
    ValueError
        A page without these marks.
    """
    begin, end = f"<!-- {name}: begin -->", f"<!-- {name}: end -->"
    before, found, rest = path.read_text(encoding="utf-8").partition(begin)
    _, closed, after = rest.partition(end)
    if not found or not closed:
        raise ValueError(f"{path}: allowed a page with {begin!r} and {end!r}, got one without")
    path.write_text(f"{before}{begin}\n{text.strip()}\n{end}{after}", encoding="utf-8")


def as_table(head: list[str], rows: list[list[str]]) -> str:
    """Return a Markdown table."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)
