"""The maker's key of a blind set: seeds and names follow from it, and from nothing else."""

from __future__ import annotations

import hmac
import os
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from ...ground.checksum import sha256
from ...ground.complaints import with_got
from ...ground.json_text import read_json
from ...simulator.data import validate
from ...simulator.stack.manifest import canonical_json, pretty_json
from ..bench.grid.suite import Suite
from ..request import RequestError

_SECRET_BYTES = 32
_NUMBER_BITS = 48
_NAME_LENGTH = 10
_SUITE = TypeAdapter(Suite)


@dataclass(frozen=True, kw_only=True)
class BlindKey:
    """What a maker keeps.

    Parameters
    ----------
    secret : str
        64 hexadecimal digits, drawn by the system.
    suite : Suite
        The stacks that the set is made of; its seeds and methods do not count.
    """

    secret: str
    suite: Suite

    @property
    def published(self) -> str:
        """Checksum of secret and suite: it stands in the set, and binds the maker to them."""
        return sha256(canonical_json(_plain(self)))

    def number(self, *about: object) -> int:
        """Return a whole number that nobody can tell without the key, the same each time.

        Parameters
        ----------
        *about : object
            What it is for.
        """
        return int(self._digest(about), 16) >> (256 - _NUMBER_BITS)

    def name(self, *about: object) -> str:
        """Return a name that tells nothing."""
        return self._digest(("name", *about))[:_NAME_LENGTH]

    def _digest(self, about: tuple[object, ...]) -> str:
        said = canonical_json([str(word) for word in about])
        return hmac.new(bytes.fromhex(self.secret), said, "sha256").hexdigest()


def new_key(suite: Suite) -> BlindKey:
    """Return a key that was not there before."""
    return BlindKey(secret=secrets.token_hex(_SECRET_BYTES), suite=suite)


def _plain(key: BlindKey) -> dict[str, Any]:
    return {"secret": key.secret, "suite": _SUITE.dump_python(key.suite, mode="json")}


def write_key(key: BlindKey, path: Path) -> None:
    """Write a key to a new file that only its owner may read.

    Raises
    ------
    RequestError
        The file is there, or cannot be written.
    """
    try:
        opened = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError as error:
        raise RequestError(f"{path}: {error.strerror}; nothing was changed") from error
    with os.fdopen(opened, "w", encoding="utf-8") as file:
        file.write(pretty_json(_plain(key)))


def read_key(path: Path) -> BlindKey:
    """Read a key.

    Raises
    ------
    RequestError
        The file cannot be read or is no key.
    """
    try:
        held = read_json(path)
        secret = held["secret"]
        if len(bytes.fromhex(secret)) != _SECRET_BYTES:
            raise ValueError(f"secret: got {len(secret) // 2} bytes, allowed {_SECRET_BYTES}")
        return BlindKey(secret=secret, suite=validate(Suite, held["suite"], where=path))
    except OSError as error:
        raise RequestError(f"{path}: got {error.strerror!r}, expected a key") from error
    except (ValueError, KeyError, TypeError) as error:
        told = with_got(str(error).removeprefix(f"{path}: "), got="a file without secret and suite")
        raise RequestError(f"{path}: no key of a blind set: {told}") from error
