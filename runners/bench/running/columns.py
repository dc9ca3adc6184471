"""The columns of a benchmark's ``rows.csv`` and ``times.csv``."""

from __future__ import annotations

from collections.abc import Iterator

from ....ground.columns import Column
from ...judge.columns import score_columns


def _column(name: str, range_: str, meaning: str) -> Column:
    return Column(name=name, range=range_, meaning=meaning)


#: What a benchmark adds to a row of scores.
BENCH_COLUMNS = (
    _column("suite", "a name", "Suite that the cell belongs to."),
    _column("condition", "plain, or a factor", "What was made worse on this stack."),
    _column("severity", "0..5", "Step of the ladder, mild to severe; 0 on plain stacks."),
    _column("value", "a number, or empty", "The condition's value, in the factor's unit."),
    _column("stack_key", "20 hexadecimal digits", "Checksum of what the stack is made of."),
    _column("cell_key", "20 hexadecimal digits", "Checksum of stack, method and scoring code."),
    _column("depth_unit", "frame, mm, or empty", "Unit of the kept depth map."),
    _column("used", "numbers, or empty", "Frames that went into the result, in its order."),
    _column("image_sha256", "checksum, or empty", "Of the kept picture's file."),
    _column("depth_sha256", "checksum, or empty", "Of the kept depth map's file."),
    _column(
        "time_is_comparable", "True or False", "Whether nothing of the benchmark ran beside it."
    ),
)


def bench_columns() -> Iterator[Column]:
    """Yield every column that a benchmark's tables can have."""
    yield from BENCH_COLUMNS
    yield from score_columns()
