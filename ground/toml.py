"""Reads TOML files."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any


class TomlError(ValueError):
    """A file is not valid TOML in UTF-8."""


def read_toml(path: str | Path) -> dict[str, Any]:
    """Read a TOML file.

    Raises
    ------
    TomlError
        Not valid; the message names the file, the line and what was wrong.
    OSError
        It cannot be read.
    """
    try:
        return tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise TomlError(f"{path}: not valid TOML: {error}") from error
