"""The columns of a benchmark's ``rows.csv`` and ``times.csv``."""

from __future__ import annotations

from collections.abc import Iterator

from ....ground.columns import Column
from ...judge.columns import score_columns

#: What a benchmark adds to a row of scores.
BENCH_COLUMNS = (
    Column("suite", "", "a name", "Suite that the cell belongs to."),
    Column("condition", "", "plain, or a factor", "What was made worse on this stack."),
    Column("severity", "", "0..5", "Step of the ladder, mild to severe; 0 on plain stacks."),
    Column("value", "", "a number, or empty", "The condition's value, in the factor's unit."),
    Column("window", "px", "WxH or WxH+X+Y, or empty", "Part of the sensor; empty for all of it."),
    Column("stack_key", "", "20 hexadecimal digits", "Checksum of what the stack is made of."),
    Column("cell_key", "", "20 hexadecimal digits", "Checksum of stack, method and scoring code."),
    Column("depth_unit", "", "frame, mm, or empty", "Unit of the kept depth map."),
    Column("used", "", "numbers, or empty", "Frames that went into the result, in its order."),
    Column("image_sha256", "", "checksum, or empty", "Of the kept picture's file."),
    Column("depth_sha256", "", "checksum, or empty", "Of the kept depth map's file."),
    Column(
        "time_is_comparable", "", "True or False", "Whether nothing of the benchmark ran beside it."
    ),
)


def bench_columns() -> Iterator[Column]:
    """Yield every column that a benchmark's tables can have."""
    yield from BENCH_COLUMNS
    yield from score_columns()
