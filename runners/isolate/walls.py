"""What a method's process may read and write, and how the rest is kept out of its reach.

The kind of wall is found by trying, with a file that must not be readable, and stands in every row.
"""

from __future__ import annotations

import json
import os
import stat
import subprocess
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from ...ground.litter import temporary_folder
from . import enclose
from .isolation import PATIENCE_S, best_isolation
from .workplace import Workplace

#: What the row says of each kind of wall.
KINDS = {
    "landlock": "only its own files, frames and the system can be read (landlock)",
    "mounts": "the truth is covered (mount namespace)",
    "none": "the truth could be read",
}
# Where programs and libraries are on Linux (Filesystem Hierarchy Standard 3.0), and what the
# kernel shows of itself.
_SYSTEM = (
    *("/bin", "/sbin", "/lib", "/lib32", "/lib64", "/usr", "/etc", "/opt", "/snap"),
    *("/nix/store", "/gnu/store", "/var/lib", "/var/cache/fontconfig", "/run", "/proc", "/sys"),
)
_GPUS = ("nvidia", "dri", "kfd")
_HOUSE = Path(__file__).resolve().parents[2]
# A method has no business with scenes and with what renders them.
_NOT_FOR_METHODS = tuple(str(_HOUSE / name) for name in ("simulator", "scenes", "results", "tests"))
_FOR_METHODS = tuple(str(_HOUSE / name) for name in ("__init__.py", "ground", "metrics", "runners"))
# How far other stacks are looked for in the folder of a method: levels, and folders in all.
_DEEP, _MANY = 4, 5000
_STACK_FILES = ("stack.json", "suite.json")
# What ``score --keep`` left: its page has the ideal picture.
_KEPT_FILES = {"index.html", "scores.csv"}


@dataclass(frozen=True, kw_only=True)
class Walls:
    """What one run may reach.

    Parameters
    ----------
    own : tuple of Path
        The method's own files and folders.
    given : tuple of Path
        More that it may read, wherever it lies: its code, and frames that are not copies.
    hidden : tuple of Path
        Folders with truth.
    env : mapping of str to str
        Its whole environment.
    keeps_channel : bool
        Whether the command itself says when it is ready.
    """

    own: tuple[Path, ...] = ()
    given: tuple[Path, ...] = ()
    hidden: tuple[Path, ...] = ()
    env: Mapping[str, str] = field(default_factory=dict)
    keeps_channel: bool = False


def walled(command: Sequence[str], walls: Walls, *, place: Workplace) -> list[str]:
    """Return a command with the walls before it, strongest that work here.

    Parameters
    ----------
    command : sequence of str
        Its first word is a path.
    walls : Walls
    place : Workplace
        Its folder can be written; its frames can be read.
    """
    return _with_wall(best_wall(), command, walls, place)


@cache
def best_wall() -> str:
    """Return the strongest of `KINDS` that works here."""
    return next(kind for kind in KINDS if kind == "none" or holds(kind))


def how_apart() -> str:
    """Return what a row says of how its method was kept apart."""
    return f"{best_isolation().name}; {KINDS[best_wall()]}"


def holds(kind: str) -> bool:
    """Tell whether a kind of wall works here: what is hidden cannot be read, all else can."""
    with temporary_folder("walls") as above:
        place = Workplace.make(above / "place")
        hidden = above / "hidden"
        hidden.mkdir()
        (hidden / "truth").write_text("truth")
        code = f"open({str(place.folder / 'made')!r}, 'w'); open({str(hidden / 'truth')!r})"
        command = [sys.executable, "-I", "-S", "-c", code]
        argv = _with_wall(kind, command, Walls(hidden=(hidden,)), place)
        try:
            tried = subprocess.run(
                argv, cwd=place.folder, capture_output=True, timeout=PATIENCE_S, check=False
            )
        except (OSError, subprocess.TimeoutExpired):
            return False
        refused = b"PermissionError" in tried.stderr or b"FileNotFoundError" in tried.stderr
        return refused and (place.folder / "made").exists()


def _with_wall(kind: str, command: Sequence[str], walls: Walls, place: Workplace) -> list[str]:
    hidden = [*map(str, walls.hidden), *_NOT_FOR_METHODS]
    if kind == "landlock":
        hidden += [str(path) for own in _not_installed(walls.own) for path in stacks_below(own)]
    here = [path for path in hidden if Path(path).is_dir()]
    described = {
        "kind": kind,
        "own_mounts": "--mount" in best_isolation().prefix,
        "read": [str(path) for path in _readable(walls)],
        "given": [str(path) for path in (place.frames, *walls.given)],
        "write": [str(place.folder), *map(str, _devices())],
        "listed": [str(_HOUSE)],  # else nothing in it can be imported
        "hidden": here,
        "read_only": [str(place.frames)],
        "env": dict(walls.env),
        "keeps_channel": walls.keeps_channel,
    }
    file = place.held / "walls.json"
    file.write_text(json.dumps(described), encoding="utf-8")
    python = [sys.executable, "-I", "-S", enclose.__file__]
    return [*best_isolation().prefix, *python, str(file), "--", *command]


def _readable(walls: Walls) -> Iterator[Path]:
    yield from map(Path, (*_SYSTEM, *_FOR_METHODS, *python_folders()))
    yield from walls.own


def _not_installed(folders: Iterable[Path]) -> list[Path]:
    """Return those folders that lie neither in the system nor with the packages of Python."""
    installed = [Path(name) for name in (*_SYSTEM, *python_folders())]
    return [
        folder
        for folder in folders
        if not any(place in (folder, *folder.parents) for place in installed)
    ]


def python_folders() -> tuple[str, ...]:
    """Return the folders of this interpreter, its packages, and what PYTHONPATH adds."""
    real = Path(sys.executable).resolve().parents[1]
    added = [entry for entry in os.environ.get("PYTHONPATH", "").split(os.pathsep) if entry]
    found = [sys.prefix, sys.exec_prefix, sys.base_prefix, sys.base_exec_prefix, str(real), *added]
    return tuple(dict.fromkeys(folder for folder in found if folder != "/"))


def _devices() -> Iterator[Path]:
    """Yield the devices that anybody may write to, and those of graphics processors; no disks."""
    for entry in Path("/dev").iterdir():
        try:
            mode = entry.lstat().st_mode
        except OSError:
            continue
        for_all = stat.S_ISCHR(mode) and mode & 0o006 == 0o006
        if for_all or entry.name in ("shm", "pts") or entry.name.startswith(_GPUS):
            yield entry


def stacks_below(folder: Path) -> list[Path]:
    """Return stacks, benchmarks and kept scores in a folder, as far as a short look finds them."""
    if not folder.is_dir():
        return []
    found, waiting, seen = [], [(folder, 0)], 0
    while waiting and seen < _MANY:
        here, depth = waiting.pop(0)
        seen += 1
        try:
            entries = list(os.scandir(here))
        except OSError:
            continue
        names = {entry.name for entry in entries}
        if not names.isdisjoint(_STACK_FILES) or names >= _KEPT_FILES:
            found.append(here)
        elif depth < _DEEP:
            below = [Path(e.path) for e in entries if e.is_dir(follow_symlinks=False)]
            waiting += [(path, depth + 1) for path in below]
    return found


def folders_of(files: Iterable[Path]) -> tuple[Path, ...]:
    """Return the folders that files lie in, as named and as they really lie."""
    both = [one for file in files for one in (file.absolute().parent, file.resolve().parent)]
    return tuple(dict.fromkeys(both))
