"""Checksums of code: of a module and of all of ours that it imports, directly or not."""

from __future__ import annotations

import ast
import hashlib
from collections.abc import Iterator
from functools import lru_cache
from itertools import takewhile
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


@lru_cache(maxsize=1024)
def _imported(path: Path) -> tuple[Path, ...]:
    """Return our files that one file imports; a package's own file comes with its modules."""
    found: list[Path] = []
    for node in _statements(ast.parse(path.read_bytes())):
        if isinstance(node, ast.ImportFrom) and node.level:
            base = path.parents[node.level - 1].joinpath(*(node.module or "").split("."))
            for place in (base, *(base / alias.name for alias in node.names)):
                found += _module_at(place)
    return tuple(found)


def _statements(block: ast.AST) -> Iterator[ast.AST]:
    """Yield all statements of a block: imports are some; expressions, most of a file, are none."""
    for part in ("body", "orelse", "finalbody", "handlers", "cases"):
        for statement in getattr(block, part, ()):
            yield statement
            yield from _statements(statement)


@lru_cache(maxsize=4096)
def _module_at(place: Path) -> tuple[Path, ...]:
    found = place.with_suffix(".py"), place / "__init__.py"
    own = next((path for path in found if path.is_file()), None)
    if own is None:
        return ()
    # Importing a module runs the packages that it is in.
    within = takewhile(lambda above: above != _ROOT, place.parents)
    packages = (above / "__init__.py" for above in within)
    return own, *(path for path in packages if path.is_file())
