"""What a method is made of: by that it is told apart from others, and from what it was before.

Before a run its own file, its program, parameters, environment and the files that its table names
are known; after it, the files that it opened. Packages count by their version.
"""

from __future__ import annotations

import os
import sysconfig
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from functools import cache, lru_cache
from importlib import metadata
from importlib.util import source_from_cache
from pathlib import Path
from typing import TYPE_CHECKING

from ...ground.checksum import file_sha256, sha256
from ...ground.sources import code_checksum
from ...simulator.stack.manifest import canonical_json

if TYPE_CHECKING:
    from .method import Method

#: Stands before the name of a package among the files that a method loaded.
PACKAGE = "package "
#: Instead of a checksum, where a file was changed while it was in use; equal to none.
UNCERTAIN = "changed while it was read"
_MISSING = "missing"
_NOT_IDENTITY = ("name", "time_limit_s", "memory_limit_mb", "disk_limit_mb")
# Parts of the system: they change with it, not with a method.
_SYSTEM = ("/usr/", "/bin/", "/lib", "/etc/", "/proc/", "/sys/", "/dev/", "/run/", "/var/")
_MAX_FILES = 5000


def declared_version(method: Method) -> str:
    """Return the checksum of all that is known of a method before it runs."""
    if method.kind == "built-in":
        return code_checksum("runners.methods")
    program = None
    if method.program is not None:
        described = asdict(method.program)
        program = {name: described[name] for name in described if name not in _NOT_IDENTITY}
    return sha256(
        canonical_json(
            {
                "function": method.spec.rpartition(":")[2] if method.file else "",
                "program": program,
                "parameters": dict(method.parameters),
                "environment": _values(method.environment),
                "code": [checksum(path) for path in method.code_files],
                "files": {
                    name: checksum(path)
                    for name, path in zip(method.files, method.declared_files, strict=True)
                },
            }
        )
    )


def _values(environment: Iterable[str]) -> dict[str, str | None]:
    """Return variables with the values that they have now."""
    parts = [entry.partition("=") for entry in environment]
    return {name: value if given else os.environ.get(name) for name, given, value in parts}


def checksum(path: Path) -> str:
    """Return the SHA-256 of a file, or of a folder with all below it; of nothing, a word for it."""
    try:
        if not path.is_dir():
            found = path.stat()
            return _checksum_of(str(path), found.st_mtime_ns, found.st_size, found.st_ino)
        below = sorted(entry for entry in path.rglob("*") if entry.is_file())
        return sha256(
            canonical_json([[str(e.relative_to(path)), checksum(e)] for e in below]),
        )
    except OSError:
        return _MISSING


@lru_cache(maxsize=4096)
def _checksum_of(path: str, *_stamp: int) -> str:
    """Return a file's checksum, read once for each time that it was written."""
    return file_sha256(path)


def loaded_by(opened: Iterable[str], *, apart: Iterable[Path], since_ns: int) -> dict[str, str]:
    """Return what a method loaded: checksums of files by their path, versions of packages.

    Parameters
    ----------
    opened : iterable of str
        Paths that it opened. They come from the method, so nothing is taken for granted.
    apart : iterable of Path
        Folders that do not count, such as that of its frames.
    since_ns : int
        When the run started; a file that was written later may have been read before.
    """
    left_out = tuple(f"{folder}/" for folder in apart)
    found: dict[str, str] = {}
    for name in opened:
        if len(found) >= _MAX_FILES:
            break
        path = _source(name)
        if package := package_of(path):
            found[PACKAGE + package] = _package_version(package)
        elif not path.startswith((*left_out, *_system_folders())) and os.path.isfile(path):
            newer = os.stat(path).st_mtime_ns > since_ns
            found[path] = UNCERTAIN if newer else checksum(Path(path))
    return dict(sorted(found.items()))


def _source(name: str) -> str:
    """Return the path of the text that a file of bytecode was made of; others as they are."""
    if not name.endswith(".pyc"):
        return name
    try:
        return source_from_cache(name)
    except ValueError:
        return name


@cache
def _system_folders() -> tuple[str, ...]:
    places = sysconfig.get_paths()
    return (*_SYSTEM, *(f"{places[name]}/" for name in ("stdlib", "platstdlib")))


def package_of(path: str) -> str:
    """Return the installed package that a file belongs to; nothing where it is in none."""
    for folder in ("/site-packages/", "/dist-packages/"):
        _, inside, rest = path.partition(folder)
        if inside:
            top = rest.split("/")[0].split(".")[0]
            return _packages().get(top, top)
    return ""


@cache
def _packages() -> dict[str, str]:
    return {top: names[0] for top, names in metadata.packages_distributions().items()}


def _package_version(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "unknown"


def changed(loaded: Mapping[str, str]) -> bool:
    """Tell whether anything that a method loaded is not now what it was then."""
    return any(_now(name) != was for name, was in loaded.items())


def _now(name: str) -> str:
    if name.startswith(PACKAGE):
        return _package_version(name.removeprefix(PACKAGE))
    return checksum(Path(name))


def whole_version(declared: str, loaded: Mapping[str, str], *, beside: Path | None) -> str:
    """Return the checksum of a method with all that it loaded, wherever it lies."""
    if not loaded:
        return declared
    named = {_short(name, beside): was for name, was in loaded.items()}
    return sha256(canonical_json({"declared": declared, "loaded": named}))


def _short(name: str, beside: Path | None) -> str:
    if beside is None or name.startswith(PACKAGE):
        return name
    return os.path.relpath(name, beside)


def covered(method: Method, loaded: Mapping[str, str], *, recorded: bool) -> str:
    """Say in a line what a version is the checksum of, and what is not known.

    Parameters
    ----------
    method : Method
    loaded : mapping of str to str
    recorded : bool
        Whether the method told what it opened.
    """
    if method.kind == "built-in":
        return "the built-in methods"
    files = [Path(name).name for name in loaded if not name.startswith(PACKAGE)]
    own = [path.name for path in method.code_files]
    names = dict.fromkeys([*own, *files, *method.files])
    packages = [
        f"{name.removeprefix(PACKAGE)} {at}"
        for name, at in loaded.items()
        if name.startswith(PACKAGE)
    ]
    said = [_some(list(names)), _some(packages)]
    if method.kind == "program":
        said.append("not known: what the program loads by itself")
    elif not recorded:
        said.append("not known: what it loads")
    else:
        said.append("not known: what compiled code opens by itself")
    return "; ".join(filter(None, said))


def _some(names: list[str], *, most: int = 12) -> str:
    more = [f"{len(names) - most} more"] if len(names) > most else []
    return ", ".join([*names[:most], *more])
