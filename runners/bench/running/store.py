"""The folder of a benchmark: a file for each finished cell, written whole or not at all.

``kill -9`` at any moment loses the cells being done and nothing else: a cell is done when its file
has its name. A file that cannot be read counts as not done.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ....ground.atomic import write_whole
from ....ground.checksum import sha256
from ....ground.json_text import read_json
from ....ground.litter import owner, remove_litter
from ....ground.locks import locked
from ....simulator.stack.manifest import canonical_json
from ...request import RequestError


@dataclass(frozen=True, kw_only=True, eq=False)
class DoneCell:
    """What is kept of a finished cell.

    Parameters
    ----------
    row : mapping
        Its row of the table.
    from_outside : bool
        Whether it was ended from outside, and is to be tried again.
    loaded : mapping of str to str
        What its method loaded: checksums of files, versions of packages.
    """

    row: Mapping[str, Any]
    from_outside: bool = False
    loaded: Mapping[str, str] = field(default_factory=dict)


class Store:
    """A benchmark's folder.

    Parameters
    ----------
    path : Path
        Made where it is not there.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    @property
    def stacks(self) -> Path:
        """Where rendered stacks lie while their cells run."""
        return self.path / "stacks"

    @property
    def tables(self) -> Path:
        """What this process and those that it starts share while they are at work."""
        return self.path / f".tables-{owner()}"

    def output(self, cell: str) -> Path:
        """Return the folder of what a method made in a cell."""
        return self.path / "outputs" / cell

    def make(self) -> None:
        """Make the folders.

        Raises
        ------
        RequestError
            They cannot be made or written.
        """
        try:
            for name in ("cells", "stacks", "outputs"):
                (self.path / name).mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=self.path / "cells"):
                pass
        except OSError as error:
            place = error.filename or self.path
            raise RequestError(
                f"{place}: got {error.strerror or error!s}, expected a folder to write to"
            ) from error

    @contextmanager
    def locked(self, name: str) -> Iterator[None]:
        """Keep others with the same name out.

        Raises
        ------
        RequestError
            One is at work already.
        """
        try:
            with locked(self.path / f".lock-{name}", wait=False):
                yield
        except BlockingIOError:
            raise RequestError(
                f"{self.path}: another benchmark is at work in this folder (shard {name})"
            ) from None

    @contextmanager
    def stack_locked(self, stack: str) -> Iterator[None]:
        """Keep others from a stack; wait while one is at work on it."""
        with locked(self.path / f".lock-{stack}", wait=True):
            yield

    def clear(self) -> None:
        """Remove what killed benchmarks left: locks and drafts here, folders of their methods."""
        remove_litter(Path(tempfile.gettempdir()))
        for path in self.path.glob(".lock-*"):
            with suppress(OSError), locked(path, wait=False):
                pass  # nobody has it: it goes when it is let go
        for folder in (self.path, self.path / "cells", *self.path.glob("outputs/*")):
            remove_litter(folder, prefix=".")

    def stamps(self) -> dict[str, int]:
        """Return when each finished cell was written, ns; from a fresh look at the folder."""
        if not (self.path / "cells").is_dir():
            return {}
        with os.scandir(self.path / "cells") as entries:
            return {
                entry.name.removesuffix(".json"): entry.stat().st_mtime_ns
                for entry in entries
                if entry.name.endswith(".json")
            }

    def done(self, cell: str) -> DoneCell | None:
        """Return what is kept of a finished cell; None where it is missing or damaged."""
        try:
            held = read_json(self.path / "cells" / f"{cell}.json")
            checksum = held.pop("sha256")
            if checksum != sha256(canonical_json(held)):
                return None
            row = dict(held["row"])
            if row.get("cell_key", cell) != cell:  # the file of another cell
                return None
            return DoneCell(
                row=row,
                from_outside=bool(held["from_outside"]),
                loaded=dict(held["loaded"]),
            )
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return None

    def row(self, cell: str) -> dict[str, Any] | None:
        """Return a finished cell's row; None where it is missing or damaged."""
        done = self.done(cell)
        return None if done is None else dict(done.row)

    def keep(self, cell: str, done: DoneCell) -> None:
        """Write what is kept of a finished cell, whole or not at all."""
        held: dict[str, Any] = {
            "row": dict(done.row),
            "from_outside": done.from_outside,
            "loaded": dict(done.loaded),
        }
        held["sha256"] = sha256(canonical_json(held))
        write_whole(self.path / "cells" / f"{cell}.json", json.dumps(held).encode())
