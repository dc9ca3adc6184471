"""Where the data files (scenes, rigs, stances, lights) live, and how they are read and checked."""

from __future__ import annotations

from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import TypeAdapter, ValidationError

from ..ground.complaints import got_and_allowed
from ..ground.spelling import nearest
from ..ground.text import plain_line
from ..ground.toml import TomlError, read_toml
from .ranges import out_of_range

T = TypeVar("T")

_SHOWN = 80
_LONGEST_RULE = 300
#: Folder of files that published studies are made from, and that have changed since.
EARLIER = "earlier"
_DATA = Path(__file__).resolve().parents[1] / "scenes"


class DataFileError(ValueError):
    """A data file is missing, is not TOML, or holds a key or value that is not allowed."""


def data_folder() -> Path:
    """Return the folder of scene, rig, stance and light files."""
    return _DATA


def find_data_file(name_or_path: str | Path, *, kind: str) -> Path:
    """Find a data file by path, or by name among the shipped ones of its kind.

    Parameters
    ----------
    name_or_path : str or Path
        A path that ends in ``.toml``, or the name of a shipped file; ``earlier/NAME`` is the file
        as it was for a published study, where it has changed since.
    kind : {"scene", "family", "rig", "stance", "light", "suite"}
        What is looked for. Scenes stand in the data folder itself, the rest in a folder of
        their plural name.

    Raises
    ------
    DataFileError
        When nothing of that name exists; the message lists the shipped names.
    """
    path = Path(name_or_path)
    if path.suffix == ".toml":
        if is_file(path):
            return path
        raise DataFileError(f"{kind} file {shown(path)} does not exist: got no file, expected one")
    shipped = _folder(kind) / f"{name_or_path}.toml"
    known = path.name == str(name_or_path) or str(name_or_path) == f"{EARLIER}/{path.name}"
    if known and is_file(shipped):
        return shipped
    allowed = ", ".join(list_data_files(kind)) or "none"
    meant = nearest(str(name_or_path), list_data_files(kind))
    more = ", or FAMILY:SEED" if kind == "scene" else ""
    raise DataFileError(
        f"unknown {kind}: got {shown(name_or_path)}{meant}, allowed {allowed}, or a .toml "
        f"path{more}"
    )


def is_file(path: Path) -> bool:
    """Tell whether a file is there; none is where the name is longer than a name can be."""
    try:
        return path.is_file()
    except OSError:
        return False


def shown_value(value: object) -> str:
    """Return a value of a data file as an error shows it: as it is written, and a long one cut."""
    return shown(value) if isinstance(value, str) else plain_line(repr(value), longest=_SHOWN)


def shown(name: str | Path) -> str:
    """Return a name as an error shows it: in quotes, and a long one cut."""
    text = str(name)
    return repr(text if len(text) <= _SHOWN else f"{text[:_SHOWN]}...")


def list_data_files(kind: str) -> list[str]:
    """List the names of the shipped data files of one kind, sorted.

    Examples
    --------
    >>> list_data_files("stance")[:3]
    ['braced', 'elbows-tucked', 'in-hand-stem']
    """
    return sorted(path.stem for path in _folder(kind).glob("*.toml"))


def _folder(kind: str) -> Path:
    plural = {"scene": ".", "family": "families"}
    return data_folder() / plural.get(kind, f"{kind}s")


def load_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file; a syntax error names the file and the place."""
    try:
        return read_toml(path)
    except TomlError as error:
        raise DataFileError(str(error)) from error


def validate(cls: type[T], values: Any, *, where: str | Path, ranges: bool = True) -> T:
    """Make a validated object of plain values; an error names file, key, value and rule.

    Parameters
    ----------
    cls : type
    values : mapping
        As read from a file.
    where : str or Path
        The file.
    ranges : bool
        Whether numbers must lie in the physical ranges of `simulator.ranges`.

    Raises
    ------
    DataFileError
    """
    try:
        made = TypeAdapter(cls).validate_python(values)
    except ValidationError as error:
        raise DataFileError(f"{where}: {_first_error(error, cls)}") from error
    except RecursionError as error:
        raise DataFileError(
            f"{where}: got values nested deeper than can be checked, allowed fewer levels"
        ) from error
    if ranges and (found := out_of_range(values)) is not None:
        key, number, allowed = found
        raise DataFileError(f"{where}: key '{key}': got {shown_value(number)}, allowed {allowed}")
    return made


def _first_error(error: ValidationError, cls: Any) -> str:
    first = error.errors(include_url=False)[0]
    key = plain_line(".".join(str(part) for part in first["loc"]), longest=_SHOWN) or "file"
    more = f" (and {error.error_count() - 1} more)" if error.error_count() > 1 else ""
    got = shown_value(first["input"])
    if first["type"] in ("missing", "missing_argument", "missing_keyword_only_argument"):
        return f"key '{key}' is missing{more}: {got_and_allowed(first, got='nothing')}"
    if first["type"] in ("unexpected_keyword_argument", "extra_forbidden"):
        known = list(dict.fromkeys(_known_keys(cls, first["loc"][:-1])))
        meant = nearest(str(first["loc"][-1]), known)
        allowed = plain_line(", ".join(known), longest=_LONGEST_RULE) or "no such key"
        return f"key '{key}' is not known here{meant}{more}: got {got}; allowed: {allowed}"
    return f"key '{key}': {got_and_allowed(first, got=got)}{more}"


def _known_keys(cls: Any, place: tuple[int | str, ...]) -> list[str]:
    """Return the keys that are allowed at a place of a data file; none where that is not plain."""
    classes = _classes_in(cls)
    for part in place:
        within = [one.__pydantic_fields__[part] for one in classes if part in _fields(one)]
        if within:
            classes = [one for field in within for one in _classes_in(field.annotation)]
        elif isinstance(part, str):  # which of several kinds it is
            classes = [one for one in classes if _kind_of(one) == part]
    return [name for one in classes for name in _fields(one)]


def _classes_in(hint: Any) -> list[Any]:
    """Return the classes with keys that a type is made of."""
    if hasattr(hint, "__pydantic_fields__"):
        return [hint]
    return [one for part in get_args(hint) for one in _classes_in(part)]


def _fields(cls: Any) -> dict[str, Any]:
    return dict(cls.__pydantic_fields__)


def _kind_of(cls: Any) -> str:
    """Return the value of a class's key 'kind'; empty where it has none."""
    return (
        str(get_args(cls.__pydantic_fields__["kind"].annotation)[0])
        if "kind" in _fields(cls)
        else ""
    )
