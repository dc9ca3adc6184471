"""What a column of a table is: its name, unit, range, and a sentence on what it means."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

#: Capitals in a column's name stand for what differs from table to table.
_STANDS_FOR = {r"\[\.REGION\]": r"(\.[a-z]+(-[a-z]+)*)?", "NAME": ".+"}


@dataclass(frozen=True, slots=True)
class Column:
    """A column, or a family of columns, as a reader of the table must know it.

    Parameters
    ----------
    name : str
        As the table's head has it. ``NAME`` stands for any name and ``[.REGION]`` for nothing or
        a dot with the name of a region.
    unit : str
        Empty for text and pure numbers.
    range : str
        Allowed values, in words or as an interval.
    meaning : str
        One sentence.
    """

    name: str
    unit: str
    range: str
    meaning: str

    def covers(self, name: str) -> bool:
        """Say whether a table's head names this column, or one of its family.

        Examples
        --------
        >>> psnr = Column("psnr_db[.REGION]", "dB", "any number", "PSNR.")
        >>> psnr.covers("psnr_db"), psnr.covers("psnr_db.never-in-focus"), psnr.covers("psnr")
        (True, True, False)
        """
        pattern = re.escape(self.name)
        for sign, allowed in _STANDS_FOR.items():
            pattern = pattern.replace(sign, allowed)
        return re.fullmatch(pattern, name) is not None


def column_of(name: str, columns: Iterable[Column]) -> Column:
    """Return what is known of a column.

    Parameters
    ----------
    name : str
        As the table's head has it.
    columns : iterable of Column

    Raises
    ------
    ValueError
        None of the columns has the name.
    """
    for column in columns:
        if column.covers(name):
            return column
    raise ValueError(f"column: got {name!r}, which no record describes")
