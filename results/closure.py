"""Which files a study is made from, and checksums of what they mean.

Comments, docstrings and layout change no result, so they change no checksum.
"""

from __future__ import annotations

import ast
import tomllib
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path

from stacktruth.ground.checksum import file_sha256, sha256

ROOT = Path(__file__).resolve().parents[1]
_PACKAGE = "stacktruth"
#: Started as processes of their own, by modules that do not import them.
_STARTED = {
    "runners/isolate/python_method.py": ("runners/isolate/child.py",),
    "runners/demo/demo.py": ("runners/examples/outside_program.py",),
}
#: What pages are made of: a module that names a template may use all that lie beside it.
_TEMPLATES = ("html", "css", "js")
_DIGITS = 16


def code_behind(starts: Iterable[str], *, root: Path = ROOT) -> list[str]:
    """Return the files of code that others run: all that they import, directly or not.

    Imports within functions count, those for type checkers alone do not. A package's own file
    counts only where something of its own is taken from it: a name that it passes on leads to the
    module that has it, so that a study does not hang on all that stands beside what it uses.

    Parameters
    ----------
    starts : iterable of str
        Files below the root, such as ``"runners/demo/demo.py"``.
    root : Path
        Of the tree.

    Returns
    -------
    list of str
        Paths below the root, sorted, with the templates beside them.

    Raises
    ------
    FileNotFoundError
        One of the files is not there.
    """
    waiting = [root / name for name in starts]
    seen: set[Path] = set()
    while waiting:
        path = waiting.pop()
        if path not in seen:
            seen.add(path)
            waiting.extend(_imported(path, root))
            waiting.extend(root / name for name in _STARTED.get(_below(root, path), ()))
    return sorted(_below(root, path) for path in seen)


def _below(root: Path, path: Path) -> str:
    return path.relative_to(root).as_posix()


def _imported(path: Path, root: Path) -> Iterator[Path]:
    if path.suffix != ".py":
        return
    if _names_templates(path.read_bytes()):
        yield from (at for kind in _TEMPLATES for at in path.parent.glob(f"*.{kind}"))
    for node in _imports(path.read_bytes()):
        if isinstance(node, ast.ImportFrom):
            base = _base(node, path, root)
            for alias in node.names if base else ():
                yield from _home(base, alias.name, root)
        else:
            for alias in node.names:
                package, _, rest = alias.name.partition(".")
                if package == _PACKAGE:
                    yield from _module(root.joinpath(*rest.split(".")) if rest else root)


@cache
def _names_templates(source: bytes) -> bool:
    texts = (node.value for node in ast.walk(_parsed(source)) if isinstance(node, ast.Constant))
    return any(str(text).endswith(tuple(f".{kind}" for kind in _TEMPLATES)) for text in texts)


@cache
def _imports(source: bytes) -> list[ast.Import | ast.ImportFrom]:
    nodes = _run(_parsed(source))
    return [node for node in nodes if isinstance(node, ast.Import | ast.ImportFrom)]


def _run(tree: ast.AST) -> Iterator[ast.AST]:
    """Yield the nodes of a module that may run: all but those for type checkers."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING"):
            continue
        yield node
        yield from _run(node)


def _base(node: ast.ImportFrom, path: Path, root: Path) -> Path | None:
    """Return where an import looks: a package's folder or a module's path without its ending."""
    parts = (node.module or "").split(".") if node.module else []
    if node.level:
        return path.parents[node.level - 1].joinpath(*parts)
    if parts[0] == _PACKAGE:
        return root.joinpath(*parts[1:])
    beside = path.parent.joinpath(*parts)  # a script finds those in its own folder
    return beside if beside.with_suffix(".py").is_file() else None


def _home(base: Path, name: str, root: Path) -> Iterator[Path]:
    """Yield the module where a name that is imported from a place is at home."""
    inner = list(_module(base / name))
    if inner or base.with_suffix(".py").is_file():
        yield from inner or [base.with_suffix(".py")]
        return
    front = base / "__init__.py"
    if not front.is_file():
        return
    for node in _imports(front.read_bytes()):
        if isinstance(node, ast.ImportFrom):
            for alias in node.names:
                if (alias.asname or alias.name) == name and (at := _base(node, front, root)):
                    yield from _home(at, alias.name, root)
                    return
    yield front


def _module(place: Path) -> Iterator[Path]:
    for path in (place.with_suffix(".py"), place / "__init__.py"):
        if path.is_file():
            yield path
            return


def meaning(path: Path, *, part: str = "") -> str:
    """Return the checksum of what a file means.

    Parameters
    ----------
    path : Path
        Python and TOML are read, and their comments and layout left out; others count by the byte.
    part : str
        Of a Python file, this function alone.

    Returns
    -------
    str
        Hexadecimal.

    Raises
    ------
    LookupError
        The file has no such function.
    """
    if path.suffix == ".py":
        return _meaning(path.read_bytes(), part)
    if path.suffix == ".toml":
        return _short(repr(_sorted(tomllib.loads(path.read_text(encoding="utf-8")))))
    return file_sha256(path)[:_DIGITS]


@cache
def _meaning(source: bytes, part: str) -> str:
    tree: ast.AST = _parsed(source)
    return _short(repr(_shape(_function(tree, part) if part else tree)))


def _short(text: str) -> str:
    return sha256(text.encode())[:_DIGITS]


def _function(tree: ast.AST, name: str) -> ast.AST:
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.FunctionDef) and node.name == name:
            return node
    raise LookupError(f"no function is called {name!r} here")


@cache
def _parsed(source: bytes) -> ast.Module:
    return ast.parse(source)


def _shape(node: object) -> object:
    """Return a tree as plain lists, alike in all versions of Python: empty fields are left out."""
    if isinstance(node, ast.JoinedStr):  # some versions of Python put empty texts into it
        kept = (part for part in node.values if not isinstance(part, ast.Constant) or part.value)
        return ["JoinedStr", *map(_shape, kept)]
    if isinstance(node, ast.AST):
        fields = ((name, _shape(value)) for name, value in ast.iter_fields(node) if name != "kind")
        return [type(node).__name__, *((name, held) for name, held in fields if held != [])]
    if isinstance(node, list):
        return [_shape(one) for one in node if not _says_nothing(one)]
    return repr(node)


def _says_nothing(node: object) -> bool:
    """Tell a string that stands alone, such as a docstring."""
    return (
        isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    )


def _sorted(value: object) -> object:
    if isinstance(value, dict):
        return sorted((key, _sorted(held)) for key, held in value.items())
    return [_sorted(one) for one in value] if isinstance(value, list) else value
