"""Checksums of code: of a module and of all of ours that it imports, directly or not."""

from __future__ import annotations

import ast
import hashlib
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

_ROOT = Path(__file__).resolve().parents[1]


@lru_cache(maxsize=64)
def code_checksum(*modules: str) -> str:
    """Return the SHA-256 of the files that modules are made of, by name and content.

    Parameters
    ----------
    *modules : str
        Dotted names below the root package, such as ``"runners.judge.scoring"``. A package
        stands for all modules below it.

    Raises
    ------
    ModuleNotFoundError
        A module that is not ours.
    """
    found = hashlib.sha256()
    for path in import_closure(*modules):
        name = path.relative_to(_ROOT).as_posix()
        found.update(name.encode() + b"\0" + path.read_bytes())
    return found.hexdigest()


@lru_cache(maxsize=64)
def import_closure(*modules: str) -> tuple[Path, ...]:
    """Return the files of modules and of all of ours that they import, sorted.

    Imports within functions count, since they may run; those for type checkers count too, for a
    line of them does not harm.
    """
    waiting = [path for name in modules for path in _files_of(name)]
    seen: set[Path] = set()
    while waiting:
        path = waiting.pop()
        if path not in seen:
            seen.add(path)
            waiting.extend(_imported(path))
    return tuple(sorted(seen))


def _files_of(name: str) -> list[Path]:
    place = _ROOT.joinpath(*name.split("."))
    if place.is_dir():
        return sorted(place.rglob("*.py"))
    path = place.with_suffix(".py")
    if not path.is_file():
        raise ModuleNotFoundError(f"no module {name!r} below {_ROOT.name}")
    return [path]


def _imported(path: Path) -> Iterator[Path]:
    """Yield our files that one file imports; a package's own file comes with its modules."""
    for node in ast.walk(ast.parse(path.read_bytes())):
        if isinstance(node, ast.ImportFrom) and node.level:
            base = path.parents[node.level - 1].joinpath(*(node.module or "").split("."))
            for place in (base, *(base / alias.name for alias in node.names)):
                yield from _module_at(place)


def _module_at(place: Path) -> Iterator[Path]:
    if place.with_suffix(".py").is_file():
        yield place.with_suffix(".py")
    elif (place / "__init__.py").is_file():
        yield place / "__init__.py"
    else:
        return
    # Importing a module runs the packages that it is in.
    for above in place.parents:
        if above == _ROOT:
            return
        if (above / "__init__.py").is_file():
            yield above / "__init__.py"
