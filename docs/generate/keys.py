"""The keys of a data file, from the class that reads it: its docstring, its types, its limits."""

from __future__ import annotations

import dataclasses
import inspect
import re
from typing import Any

from numpydoc.docscrape import NumpyDocString
from pydantic_core import PydanticUndefined

from . import words

_SIGNS = (("gt", ">"), ("ge", ">="), ("lt", "<"), ("le", "<="))
_IDLE = ("kind", "name", "title", "about")


def summary(cls: type) -> str:
    """Return what a class is, in the words of its docstring without its parameters."""
    doc = NumpyDocString(inspect.getdoc(cls) or "")
    return " ".join([*doc["Summary"], *doc["Extended Summary"]])


def told(cls: type) -> dict[str, tuple[str, str]]:
    """Return type and meaning of each key that a class's docstring tells of."""
    doc = NumpyDocString(inspect.getdoc(cls) or "")
    return {
        name.strip(): (one.type, " ".join(one.desc))
        for one in doc["Parameters"]
        for name in one.name.split(",")
    }


def table(cls: type) -> str:
    """Return the table of a class's keys.

    Raises
    ------
    ValueError
        A key that the docstring does not name.
    """
    known, rows = told(cls), []
    for field in dataclasses.fields(cls):
        if field.name not in known and field.name not in _IDLE:
            raise ValueError(f"{cls.__name__}: its docstring does not tell of {field.name!r}")
        kind, meaning = known.get(field.name, ("str", ""))
        info = cls.__pydantic_fields__[field.name]
        allowed = ", ".join(
            f"{sign} {getattr(one, name):g}"
            for one in info.metadata
            for name, sign in _SIGNS
            if getattr(one, name, None) is not None
        )
        rows.append(
            [
                f"`{field.name}`",
                words.cell(re.sub(r"[{}]", "", kind)),
                words.cell(allowed),
                _default(info.get_default(call_default_factory=True)),
                words.cell(meaning.replace("``", "`")),
            ]
        )
    return words.table(["key", "type", "limits", "default", "meaning"], rows)


def _default(value: Any) -> str:
    """Return a default as a scene file would have it."""
    if value is PydanticUndefined:
        return "*required*"
    if value is None:
        return "none"
    if dataclasses.is_dataclass(value):
        return f"a `{type(value).__name__}` as it is"
    return f"`{_written(value)}`"


def _written(value: Any) -> str:
    """Return a plain value in TOML."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, tuple):
        return f"[{', '.join(map(_written, value))}]"
    if isinstance(value, dict):
        return "{}"
    return f"{value:.6g}"
