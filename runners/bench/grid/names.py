"""Names that a benchmark takes: they appear in tables, pages and commands, never in a path."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator

from ....simulator.data import shown
from ...request import RequestError

_LONGEST = 100
_RULE = f"1 to {_LONGEST} characters, printable, without / and \\, not . or .."


def is_plain(name: str) -> bool:
    """Tell whether a name is short, can be printed, and could not be taken for a path."""
    fits = 1 <= len(name) <= _LONGEST and name.isprintable()
    return fits and not set(name) & set("/\\") and name not in (".", "..")


def check_name(name: str, *, what: str, where: object) -> None:
    """Refuse a name that is not plain.

    Raises
    ------
    RequestError
    """
    if not is_plain(name):
        raise RequestError(f"{where}: {what}: got {shown(name)}, allowed {_RULE}")


def scene_called(asked: str) -> str:
    """Return the name in tables of a scene that is asked for.

    Examples
    --------
    >>> scene_called("coin"), scene_called("leaf:7"), scene_called("earlier/leaf:7")
    ('coin', 'leaf-7', 'leaf-7')
    """
    family, colon, seed = asked.rpartition(":")
    return f"{Path(family).stem}-{seed}" if colon else asked


def _plain(name: str) -> str:
    if not is_plain(name):
        raise ValueError(f"allowed {_RULE}")
    return name


#: A name in a data file.
Name = Annotated[str, AfterValidator(_plain)]
