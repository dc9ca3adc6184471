"""Checksums of bytes and files."""

from __future__ import annotations

import hashlib
from pathlib import Path


def sha256(data: bytes) -> str:
    """Return the SHA-256 of bytes, hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def file_sha256(path: str | Path) -> str:
    """Return the SHA-256 of a file, hexadecimal.

    Raises
    ------
    OSError
        It cannot be read.
    """
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
