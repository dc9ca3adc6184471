"""What a stack folder says about itself: how it was made, and the checksum of every file."""

from __future__ import annotations

import json
import platform
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from functools import lru_cache
from importlib import metadata
from pathlib import Path, PurePosixPath
from typing import Any, Literal

from pydantic import ConfigDict, Field, TypeAdapter
from pydantic.dataclasses import dataclass

from ...ground import json_text
from ...ground.checksum import file_sha256, sha256
from ...ground.sources import code_checksum
from ...ground.text import plain_line
from ..data import DataFileError, validate
from ..own_files import in_stack
from ..shooting.shoot import Shoot
from .frameio import FormatName

MANIFEST = "stack.json"
INFO = "frames.json"
RECORDS = "truth/frames.csv"
TRUTH = "truth/truth.json"

_LIBRARIES = ("numpy", "scipy", "scikit-image", "tifffile", "imagecodecs", "pydantic")


class StackError(ValueError):
    """A stack folder is not as it was written, or cannot be written.

    Parameters
    ----------
    message : str
    file : str
        The file it is about, relative to the folder; empty for the folder itself.
    got, expected : object
        What was found and what was looked for, where there is such a pair.
    """

    def __init__(
        self, message: str, *, file: str = "", got: object = None, expected: object = None
    ) -> None:
        super().__init__(message)
        self.file = file
        self.got = got
        self.expected = expected


class StackExistsError(FileExistsError, StackError):
    """The place for a new stack is taken; what stands there was left alone."""

    def __init__(self, path: Path) -> None:
        StackError.__init__(
            self,
            f"{path} exists already; a stack is written to a new folder, nothing was changed",
            got="an existing path",
            expected="a path that does not exist",
        )
        self.path = path

    def __str__(self) -> str:
        return str(self.args[0])

    def __reduce__(self) -> tuple[type[StackExistsError], tuple[Path]]:
        return StackExistsError, (self.path,)


@dataclass(frozen=True, config=ConfigDict(extra="forbid"))
class FileFacts:
    """Size and checksum of one file.

    Parameters
    ----------
    bytes : int
    sha256 : str
        Hexadecimal.
    """

    bytes: int = Field(ge=0)
    sha256: str = Field(pattern="^[0-9a-f]{64}$")


@dataclass(frozen=True, kw_only=True, config=ConfigDict(extra="forbid"))
class Manifest:
    """The content of stack.json.

    Parameters
    ----------
    layout : 1
        Version of the folder's layout.
    format : {"tiff16", "png16", "jpeg8", "float32"}
        Name of the frames' format, see `simulator.frameio.FORMATS`.
    plan : dict
        The whole `Shoot` as plain data: scene, rig, stance, approach, light, subject, seed ...
    versions : mapping of str to str
        Of the program, the interpreter and the libraries; ``code`` is the checksum of the
        simulator's own source files.
    files : mapping of str to FileFacts
        Every other file, by its path in the folder.
    sha256 : str
        Of all of the above, so that a change by hand is seen.
    """

    layout: Literal[1] = 1
    format: FormatName
    plan: dict[str, Any]
    versions: dict[str, str]
    files: dict[str, FileFacts]
    sha256: str = ""

    def digest(self) -> str:
        """Return the checksum that `sha256` should be."""
        rest = {key: value for key, value in asdict(self).items() if key != "sha256"}
        return sha256(canonical_json(rest))

    def text(self) -> str:
        """Return the file's text, with its checksum filled in."""
        return pretty_json({**asdict(self), "sha256": self.digest()})


def plan_to_data(plan: Shoot) -> dict[str, Any]:
    """Return a planned shoot as plain data that JSON can hold without loss.

    Where it is worked out is no part of it.
    """
    data: dict[str, Any] = _of_shoots().dump_python(plan, mode="json", exclude={"device"})
    return data


@lru_cache(maxsize=1)
def _of_shoots() -> TypeAdapter[Shoot]:
    return TypeAdapter(Shoot)  # slow to make, and a process that draws frames needs none


def prepare_manifest() -> None:
    """Work out what takes long and is the same for all stacks; it is kept."""
    versions()
    _of_shoots()


def plan_from_data(data: Mapping[str, Any], *, where: str | Path = MANIFEST) -> Shoot:
    """Rebuild a planned shoot.

    Raises
    ------
    StackError
        A key or a value is not allowed.
    """
    try:
        return validate(Shoot, in_stack(dict(data), Path(where)), where=f"{where}: plan")
    except DataFileError as error:
        raise StackError(str(error), file=MANIFEST) from error


def read_manifest(folder: Path) -> Manifest:
    """Read and check stack.json.

    Raises
    ------
    StackError
        It is missing, broken, or was changed after it was written.
    """
    if not folder.is_dir():
        raise StackError(
            f"{folder} is no stack: got no folder, expected one",
            expected="a folder",
        )
    values = read_json(folder, MANIFEST)
    if isinstance(values, dict) and values.get("layout", 1) != 1:
        raise StackError(
            f"{folder / MANIFEST}: got layout {values['layout']!r}, expected 1: this "
            "version reads no other",
            file=MANIFEST,
            got=values["layout"],
            expected=1,
        )
    try:
        manifest = validate(Manifest, values, where=folder / MANIFEST, ranges=False)
    except DataFileError as error:
        raise StackError(str(error), file=MANIFEST) from error
    if manifest.digest() != manifest.sha256:
        raise _changed(folder, MANIFEST, manifest.digest(), manifest.sha256)
    for name in manifest.files:
        path = PurePosixPath(name)
        if path.is_absolute() or ".." in path.parts or "\\" in name:
            raise StackError(
                f"{folder / MANIFEST}: got file {plain_line(name, longest=80)!r} outside the "
                "stack, allowed files in it",
                file=MANIFEST,
            )
    return manifest


def read_json(folder: Path, name: str) -> Any:
    """Read one JSON file of a stack.

    Raises
    ------
    StackError
        It is missing or no JSON.
    """
    try:
        return json_text.read_json(folder / name)
    except FileNotFoundError:
        raise StackError(
            f"{folder} is no stack: {name} is missing: got no file, expected one",
            file=name,
            got="no file",
            expected=name,
        ) from None
    except (OSError, ValueError) as error:
        system = error.strerror if isinstance(error, OSError) else None
        told = str(error).removeprefix(f"{folder / name}: ")
        told = f"got {system!r}, expected a file" if system else told
        raise StackError(f"{folder / name}: cannot be read: {told}", file=name) from error


def problems(folder: Path, manifest: Manifest) -> Iterator[StackError]:
    """Hold every file against the manifest: missing and extra files, sizes, then checksums."""
    found = {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_symlink() or not path.is_dir()
    }
    for name in sorted(manifest.files.keys() - found):
        expected = f"{manifest.files[name].bytes} bytes"
        yield StackError(
            f"{folder}: {name} is missing; got no file, expected {expected}",
            file=name,
            got="no file",
            expected=expected,
        )
    for name in sorted(found - manifest.files.keys() - {MANIFEST}):
        yield StackError(
            f"{folder}: {name} does not belong to the stack; got a file, expected none",
            file=name,
            got="a file",
            expected="no file",
        )
    for name in sorted(manifest.files.keys() & found):
        problem = _file_problem(folder, name, manifest.files[name])
        if problem is not None:
            yield problem


def _file_problem(folder: Path, name: str, facts: FileFacts) -> StackError | None:
    path = folder / name
    try:
        size = path.stat().st_size
        if size != facts.bytes:
            word = "cut off" if size < facts.bytes else "longer than written"
            return StackError(
                f"{path} is {word}: got {size} bytes, expected {facts.bytes}",
                file=name,
                got=size,
                expected=facts.bytes,
            )
        digest = file_sha256(path)
    except OSError as error:
        return StackError(
            f"{path}: cannot be read: got {error.strerror!r}, expected a file", file=name
        )
    return None if digest == facts.sha256 else _changed(folder, name, digest, facts.sha256)


def _changed(folder: Path, name: str, got: str, expected: str) -> StackError:
    return StackError(
        f"{folder / name} was changed: got SHA-256 {got[:12]}..., expected {expected[:12]}...",
        file=name,
        got=got,
        expected=expected,
    )


def canonical_json(data: Any) -> bytes:
    """Return the one JSON form of plain data: sorted keys, no spaces."""
    text = json.dumps(data, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return text.encode()


def pretty_json(data: Any) -> str:
    """Return JSON for people, ending in a newline."""
    return json.dumps(data, indent=1, allow_nan=False, ensure_ascii=False) + "\n"


@lru_cache(maxsize=1)
def versions() -> dict[str, str]:
    """Return what wrote a stack: program, interpreter, libraries, checksum of the sources."""
    return {
        "stacktruth": _version("stacktruth"),
        "code": code_checksum("simulator"),
        "python": platform.python_version(),
        **{name: _version(name) for name in _LIBRARIES},
    }


def _version(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "not installed"
