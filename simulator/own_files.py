"""Pictures and meshes of one's own that a scene names: which file, by its checksum, and where.

A scene file names a picture beside itself. Once read, the picture is known by its name and its
SHA-256, which is what a plan says of it: another content is another scene, another folder is not.
A stack folder keeps a copy, so that its truth can be rendered without the scene's folder.
"""

from __future__ import annotations

import dataclasses
import os
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Annotated, Any

import numpy as np
import tifffile
from pydantic import Field, PlainSerializer

from ..ground.checksum import sha256
from ..ground.pictures import declared_shape, decode_image
from ..ground.types import Image

#: Most pixels of a picture of one's own: those of a large sensor.
MAX_PIXELS = 50_000_000
#: Most bytes of its file: as many pixels of four floating-point channels, and what is beside them.
MAX_BYTES = 1_000_000_000
#: Kinds of textures, reliefs and surfaces that name a file.
KINDS = ("picture", "heights", "mesh", "wrapped")
_FOLDER = "pictures"
_FEWEST = 2
_SHORT = 12
_COLOURS = 3
_MEANINGS = (1, 2)

#: Path of a picture; a plan says its name alone, so that it is the same plan in any folder.
OwnPath = Annotated[str, Field(min_length=1), PlainSerializer(lambda path: Path(path).name)]
#: SHA-256 of its bytes; empty where it has not been read.
OwnChecksum = Annotated[str, Field(pattern="^([0-9a-f]{64})?$")]


@dataclass(frozen=True, slots=True)
class OwnFile:
    """A file that a scene was read with.

    Parameters
    ----------
    path : str
    sha256 : str
        Of its bytes.
    """

    path: str
    sha256: str

    @property
    def kept(self) -> str:
        """Its place in a stack folder."""
        return f"{_FOLDER}/{self.sha256[:_SHORT]}/{Path(self.path).name}"

    def read(self, what: str = "a picture") -> bytes:
        """Return its bytes; ``what`` it should be is for errors.

        Raises
        ------
        ValueError
            It is not there, too large, or another than the scene was read with.
        """
        data = read_bytes(self.path, what)
        found = sha256(data)
        if found != self.sha256:
            raise ValueError(
                f"{self.path}: got a file with SHA-256 {found[:_SHORT]}..., allowed the one that "
                f"the scene was made with, {self.sha256[:_SHORT]}..."
            )
        return data

    def picture(self) -> Image:
        """Return the picture in it as it is stored, without opacity.

        Returns
        -------
        ndarray
            (rows, cols) or (rows, cols, 3); uint8, uint16, or floating point without NaN.

        Raises
        ------
        ValueError
            It is no such picture; the message says what it is.
        """
        self._check_head()
        try:
            image = decode_image(self.read(), Path(self.path).suffix.lower())
        except ValueError as error:
            raise _named(self.path, error) from error
        return _checked(self.path, image)

    def _check_head(self) -> None:
        """Refuse too many pixels by what the file says of itself, before any is decoded."""
        path = Path(self.path)
        _check_file(path)
        try:
            shape = declared_shape(path, path.suffix.lower())
            _check_colours(path, shape)
        except ValueError as error:
            raise _named(self.path, error) from error
        pixels = int(np.prod(shape[:2], dtype=object))
        if pixels > MAX_PIXELS:
            raise ValueError(
                f"{self.path}: got {_sides(shape)} pixels, {pixels / 1e6:.4g} million, "
                f"allowed {MAX_PIXELS / 1e6:g} million"
            )


def read_bytes(path: str, what: str = "a picture") -> bytes:
    """Return the bytes of a file, which has to be a plain file of a size that is allowed.

    Raises
    ------
    ValueError
    """
    _check_file(Path(path), what)
    with Path(path).open("rb") as file:
        return file.read(MAX_BYTES)


def known(path: str, checksum: str, what: str = "a picture") -> OwnFile:
    """Return a file by its checksum, which is taken where it is not told.

    Raises
    ------
    ValueError
        It is not there, or has another checksum than is told.
    """
    file = OwnFile(path, checksum or sha256(read_bytes(path, what)))
    if checksum:
        file.read(what)
    return file


def own_files(value: Any) -> Iterator[OwnFile]:
    """Yield the files of a scene, or of any part of it, in order; one that is named twice, twice.

    Parameters
    ----------
    value : dataclass, tuple or plain value
    """
    if isinstance(value, tuple):
        for one in value:
            yield from own_files(one)
    elif dataclasses.is_dataclass(value):
        if getattr(value, "kind", None) in KINDS:
            named: Any = value
            yield OwnFile(named.file, named.sha256)
        for field in dataclasses.fields(value):
            yield from own_files(getattr(value, field.name))


def beside(values: Any, folder: Path) -> Any:
    """Return plain values of a scene file with each picture's path from the scene's folder."""
    return _with_paths(values, lambda table: str(folder / table["file"]))


def in_stack(values: Any, folder: Path) -> Any:
    """Return plain values of a plan with each picture's path in the stack folder of the plan.

    Nothing outside that folder is read, whatever a plan says.
    """
    return _with_paths(values, lambda table: str(folder / _kept(table)))


def named_by(values: Any) -> Iterator[str]:
    """Yield the paths of pictures in plain values of a scene, as they are written."""
    if _is_own(values):
        yield values["file"]
    if isinstance(values, dict):
        values = list(values.values())
    if isinstance(values, list):
        for one in values:
            yield from named_by(one)


def _with_paths(values: Any, path_of: Callable[[dict[str, Any]], str]) -> Any:
    if isinstance(values, list):
        return [_with_paths(one, path_of) for one in values]
    if not isinstance(values, dict):
        return values
    made = {key: _with_paths(one, path_of) for key, one in values.items()}
    return {**made, "file": path_of(values)} if _is_own(values) else made


def _is_own(values: Any) -> bool:
    """Whether a table of plain values names a picture; what is wrong in it is told later."""
    return (
        isinstance(values, dict)
        and values.get("kind") in KINDS
        and isinstance(values.get("file"), str)
        and bool(values["file"])
    )


def _kept(table: dict[str, Any]) -> PurePosixPath:
    name = PurePosixPath(str(table["file"])).name
    return PurePosixPath(OwnFile(name, str(table.get("sha256", ""))).kept)


def _check_file(path: Path, what: str = "a picture") -> None:
    try:
        found = os.stat(path)
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or str(error)
        raise ValueError(f"{path}: got {said!r}, allowed the path of {what}") from error
    if not stat.S_ISREG(found.st_mode):
        raise ValueError(f"{path}: got what is no plain file, allowed the path of {what}")
    if found.st_size > MAX_BYTES:
        raise ValueError(
            f"{path}: got {found.st_size / 1e6:.4g} MB, allowed {MAX_BYTES / 1e6:g} MB"
        )


def _check_colours(path: Path, shape: tuple[int, ...]) -> None:
    """Refuse values that mean another thing than light: of printing inks, or of a palette.

    Their numbers: TIFF 6.0 (1992), section 8, PhotometricInterpretation.
    """
    suffix = path.suffix.lower()
    if suffix in (".jpg", ".jpeg") and len(shape) == _COLOURS and shape[2] > _COLOURS:
        raise ValueError("got the colours of printing inks, allowed grey, or red, green and blue")
    if suffix in (".tif", ".tiff"):
        with tifffile.TiffFile(path) as file:
            meaning = int(file.series[0].keyframe.photometric)
        if meaning not in _MEANINGS:
            raise ValueError(
                f"got values of meaning {meaning} (PhotometricInterpretation), allowed "
                "1 (grey, 0 is black) and 2 (red, green, blue)"
            )


def _checked(path: str, image: Image) -> Image:
    """Return a picture that is grey or of three colours, of numbers that can be told in light."""
    if image.ndim == _COLOURS and image.shape[2] in (1, 2):  # grey, maybe with opacity
        image = image[..., 0]
    if image.ndim not in (2, 3) or (image.ndim == _COLOURS and image.shape[2] != _COLOURS):
        raise ValueError(f"{path}: got {_sides(image.shape)} values, allowed grey or three colours")
    if min(image.shape[:2]) < _FEWEST:
        raise ValueError(
            f"{path}: got {image.shape[1]} x {image.shape[0]} pixels, allowed {_FEWEST} or more "
            "a side"
        )
    if image.dtype not in (np.uint8, np.uint16) and image.dtype.kind != "f":
        raise ValueError(
            f"{path}: got values of type {image.dtype}, allowed 8 or 16 bits, or floating point"
        )
    if image.dtype.kind == "f" and not np.isfinite(image).all():
        wrong = int(np.size(image) - np.isfinite(image).sum())
        raise ValueError(f"{path}: got {wrong} values that are NaN or infinite, allowed none")
    return image


def _sides(shape: tuple[int, ...]) -> str:
    return " x ".join(map(str, shape))


def _named(path: str, error: ValueError) -> ValueError:
    """Name the file in an error, once."""
    said = str(error)
    return ValueError(said if path in said else f"{path} {said}")
