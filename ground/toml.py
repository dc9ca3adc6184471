"""Reads TOML files; size, depth and digits are seen before they are taken apart."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from .json_text import JsonError, check_nesting

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
            raise JsonError("an integer in it has more than 400 digits")
        if any(word.count(".") >= _MAX_KEY_PARTS for word in _BETWEEN_WORDS.split(bare)):
            raise JsonError(f"a key in it has more than {_MAX_KEY_PARTS} parts")
        return tomllib.loads(text)
    except JsonError as error:
        raise TomlError(str(error)) from error
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise TomlError(
            f"not valid TOML: got byte 0x{data[error.start]:02x} in line {line}, allowed UTF-8"
        ) from error
    # A number of more digits than Python takes is a plain ValueError.
    except (ValueError, RecursionError) as error:
        raise TomlError(f"not valid TOML: {error}") from error
