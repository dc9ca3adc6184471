"""The text of a drawn scene: TOML that people can read, edit and compare line by line."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from ...ground.checksum import sha256
from ..data import DataFileError, shown_value

_ROWS = 4
_DIGITS = 6


def scene_text(values: Mapping[str, Any], *, heading: str) -> str:
    """Return the text of a scene file.

    Parameters
    ----------
    values : mapping
        Plain values: numbers, texts, lists and tables. ``surface`` is a list of tables.
    heading : str
        Line of comment above.
    """
    plain = {key: v for key, v in values.items() if not isinstance(v, dict) and key != "surface"}
    tables = {key: value for key, value in values.items() if isinstance(value, dict)}
    parts = ["\n".join([f"# {heading}", *_lines(plain)])]
    parts += ["\n".join([f"[{key}]", *_lines(table)]) for key, table in tables.items()]
    parts += ["\n".join(["[[surface]]", *_lines(one)]) for one in values.get("surface", [])]
    return "\n\n".join(parts) + "\n"


def content_checksum(values: Mapping[str, Any]) -> str:
    """Return a checksum of what a scene file says, whatever its layout and its origin."""
    held = {key: value for key, value in values.items() if key != "drawn"}
    return sha256(json.dumps(held, sort_keys=True, default=str).encode())


def as_read(value: Any) -> Any:
    """Return plain values as they come back from their text."""
    if isinstance(value, dict):
        return {key: as_read(one) for key, one in value.items()}
    if isinstance(value, list):
        return [as_read(one) for one in value]
    return rounded(value) if isinstance(value, float) else value


def rounded(value: float) -> float | int:
    """Return a number as it is written: six digits that count, a millionth at the finest.

    Whole ones are written without a point.
    """
    if isinstance(value, int):
        return value
    short = round(float(f"{value:.{_DIGITS}g}"), _DIGITS)
    return int(short) if short.is_integer() and abs(short) < 1e15 else short


def _lines(table: Mapping[str, Any]) -> list[str]:
    return [f"{_key(key)} = {_rows(value)}" for key, value in table.items()]


def _key(key: str) -> str:
    return key if key.replace("_", "").isalnum() and key.isascii() else json.dumps(key)


def _rows(value: Any) -> str:
    """Write a value of a key; a long list of lists, or of tables, one to a line."""
    if isinstance(value, list) and len(value) > _ROWS and isinstance(value[0], list | dict):
        return "[\n" + "".join(f"  {written(one)},\n" for one in value) + "]"
    return written(value)


def written(value: Any) -> str:
    """Return a plain value in TOML, on one line.

    Raises
    ------
    DataFileError
        It is no value that TOML has.
    """
    match value:
        case bool():
            return str(value).lower()
        case int() | float():
            return repr(rounded(value))
        case str():
            return json.dumps(value, ensure_ascii=False)
        case list():
            return f"[{', '.join(map(written, value))}]"
        case dict():
            inner = ", ".join(f"{_key(key)} = {written(one)}" for key, one in value.items())
            return f"{{ {inner} }}" if inner else "{}"
    raise DataFileError(f"got {shown_value(value)}, allowed numbers, texts, lists and tables")
