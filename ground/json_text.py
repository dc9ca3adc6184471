"""Reads JSON of unknown make: size, depth and digits are seen before it is taken apart.

A parser that meets a hundred thousand brackets ends the call stack, and one that meets a million
digits takes minutes; neither is in any file that is meant well.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from .text import plain_line

#: Levels of lists and objects within each other.
MAX_DEPTH = 60
#: Digits of one number: more than a double (17) or a counter of 64 bits (20) has.
MAX_DIGITS = 400
MAX_MB = 512.0
_TEXT = re.compile(r'"[^"\\]*(?:\\.[^"\\]*)*"', re.DOTALL)
_LONG_NUMBER = re.compile(f"[0-9]{{{MAX_DIGITS + 1}}}")
_SHOWN = 60
_AT = 30


class JsonError(ValueError):
    """A text is no JSON, or goes beyond what is read."""


def parse_json(data: bytes, *, max_mb: float = MAX_MB) -> Any:
    """Return what a JSON text in UTF-8 holds (RFC 8259, with no key twice and no NaN).

    Parameters
    ----------
    data : bytes
    max_mb : float
        Largest text, MB (1e6 bytes).

    Raises
    ------
    JsonError
        What is wrong with it, in a line.
    """
    if len(data) > max_mb * 1e6:
        raise JsonError(f"got {len(data) / 1e6:.1f} MB, allowed {max_mb:g}")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise JsonError(not_utf8(data, error)) from None
    check_nesting(_without_text(text), opens="[{", closes="]}")
    try:
        return json.loads(text, object_pairs_hook=_object, parse_constant=_constant)
    except JsonError:
        raise
    except json.JSONDecodeError as error:
        place = f"line {error.lineno}, column {error.colno}"
        got = shown_at(text, error.pos)
        raise JsonError(
            f"it is not JSON: {error.msg} in {place}: got {got}, allowed JSON (RFC 8259)"
        ) from None
    except (ValueError, RecursionError) as error:
        raise JsonError(
            f"it is not JSON: got {plain_line(str(error), longest=_SHOWN)}, allowed RFC 8259"
        ) from None


def read_json(path: str | Path, *, max_mb: float = MAX_MB) -> Any:
    """Read a JSON file as `parse_json` does; no more than is allowed is read.

    Raises
    ------
    JsonError
        The message names the file.
    OSError
        It cannot be read.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            return parse_json(file.read(int(max_mb * 1e6) + 1), max_mb=max_mb)
    except JsonError as error:
        raise JsonError(f"{path}: {error}") from None


def not_utf8(data: bytes, error: UnicodeDecodeError) -> str:
    """Return where a text in UTF-8 ends to be one: line, byte, what is allowed."""
    line = data[: error.start].count(b"\n") + 1
    return f"got byte 0x{data[error.start]:02x} in line {line}, allowed UTF-8"


def shown_at(text: str, position: int) -> str:
    """Return what stands at a place of a text, as an error shows it, to the end of its line."""
    found = text[position : position + _AT].partition("\n")[0]
    if found:
        return repr(found)
    return "a new line" if position < len(text) else "the end of the text"


def check_nesting(text: str, *, opens: str, closes: str, max_depth: int = MAX_DEPTH) -> None:
    """Refuse brackets within brackets, and numbers, beyond what is read.

    Parameters
    ----------
    text : str
        Without what is in quotes.
    opens, closes : str
        Characters that begin and end a level.
    max_depth : int

    Raises
    ------
    JsonError
    """
    depth = 0
    for character in re.findall(f"[{re.escape(opens + closes)}]", text):
        depth += 1 if character in opens else -1
        if depth > max_depth:
            raise JsonError(f"got brackets nested more than {max_depth} deep, allowed {max_depth}")
    if _LONG_NUMBER.search(text):
        raise JsonError(f"got a number of more than {MAX_DIGITS} digits, allowed {MAX_DIGITS}")


def _without_text(text: str) -> str:
    return _TEXT.sub("", text)


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) < len(pairs):
        raise JsonError(f"got key {next(_twice(pairs))!r} twice, allowed once")
    return made


def _twice(pairs: list[tuple[str, Any]]) -> Iterator[str]:
    seen = set()
    for key, _ in pairs:
        if key in seen:
            yield key[:_SHOWN]
        seen.add(key)


def _constant(name: str) -> Any:
    raise JsonError(f"got {name}, allowed finite numbers: JSON has no other")
