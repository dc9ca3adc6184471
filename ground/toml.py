"""Reads TOML files; size, depth and digits are seen before they are taken apart."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from .json_text import JsonError, check_nesting, not_utf8, shown_at
from .text import plain_line

#: Largest file, MB (1e6 bytes); a scene of a thousand drawn hairs has a hundredth of it.
MAX_MB = 16.0
# What stands in quotes, and comments: neither nests.
_QUOTED = re.compile(
    r'"""(?:[^\\]|\\.)*?"""' r"|'''.*?'''" r'|"(?:[^"\\\n]|\\.)*"' r"|'[^'\n]*'" r"|#[^\n]*",
    re.DOTALL,
)
_BETWEEN_WORDS = re.compile(r"[=,\n\[\]{}]")
_LONG_INTEGER = re.compile(r"0[xob][0-9A-Fa-f_]{401}")
_MAX_KEY_PARTS = 60
_LONGEST = 120
_EXPECTED = "Expected "
#: What is allowed where Python's parser complains, by the beginning of its complaint.
_RULES = {
    "Invalid value": "a value: text in quotes, a number, true, false, a list or a table",
    "Invalid initial character": "a key: letters, digits, - and _, or text in quotes",
    "Invalid statement": "KEY = VALUE, or [TABLE]",
    "Unterminated string": "a quote that ends the text",
    "Illegal character": "text without line breaks or control characters",
    "Found invalid character": "text without control characters",
    "Cannot": "each key and table once",
    "Duplicate": "each key and table once",
    "Unescaped": "an escape such as \\n or \\u00e9",
    "Invalid hex": "an escape such as \\n or \\u00e9",
    "Escaped character": "an escape such as \\n or \\u00e9",
    "Unclosed": "a closing bracket",
}


class TomlError(ValueError):
    """A file is not valid TOML in UTF-8."""


def read_toml(path: str | Path) -> dict[str, Any]:
    """Read a TOML file.

    Raises
    ------
    TomlError
        Not valid, too large or nested too deep; the message names the file and what was wrong,
        and the line where the syntax is.
    OSError
        It cannot be read.
    """
    try:
        with Path(path).open("rb") as file:
            return parse_toml(file.read(int(MAX_MB * 1e6) + 1))
    except TomlError as error:
        raise TomlError(f"{path}: {error}") from error


def parse_toml(data: bytes) -> dict[str, Any]:
    """Return what a TOML text in UTF-8 holds.

    Raises
    ------
    TomlError
    """
    if len(data) > MAX_MB * 1e6:
        raise TomlError(f"got more than {MAX_MB:g} MB, allowed {MAX_MB:g}")
    try:
        text = data.decode("utf-8").replace("\r\n", "\n")
        bare = _QUOTED.sub('""', text)
        check_nesting(bare, opens="[{", closes="]}")
        if _LONG_INTEGER.search(bare):
            raise JsonError("got an integer of more than 400 digits, allowed 400")
        if any(word.count(".") >= _MAX_KEY_PARTS for word in _BETWEEN_WORDS.split(bare)):
            raise JsonError(
                f"got a key of more than {_MAX_KEY_PARTS} parts, allowed {_MAX_KEY_PARTS}"
            )
        return tomllib.loads(text)
    except JsonError as error:
        raise TomlError(str(error)) from error
    except UnicodeDecodeError as error:
        raise TomlError(f"not valid TOML: {not_utf8(data, error)}") from error
    # A number of more digits than Python takes is a plain ValueError.
    except (ValueError, RecursionError) as error:
        raise TomlError(f"not valid TOML: {_told(text, str(error))}") from error


def _told(text: str, said: str) -> str:
    """Return where the syntax is wrong, what stands there, and what is allowed."""
    reason, _, at = said.partition(" (at ")
    rule = next((rule for start, rule in _RULES.items() if reason.startswith(start)), "")
    if reason.startswith(_EXPECTED):
        rule = reason.removeprefix(_EXPECTED)
    rule = rule or f"what TOML 1.0 has ({plain_line(reason, longest=_LONGEST)})"
    place = re.match(r"line (\d+), column (\d+)", at)
    if place is None:
        line = text.count("\n") + 1
        return (
            f"line {line}: got {'the end of the file' if at else 'a wrong value'}, allowed {rule}"
        )
    line, column = int(place[1]), int(place[2])
    before = sum(len(one) + 1 for one in text.split("\n")[: line - 1])
    got = shown_at(text, before + column - 1)
    return f"line {line}, column {column}: got {got}, allowed {rule}"
