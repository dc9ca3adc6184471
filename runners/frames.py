"""Frames of a stack as a lazy sequence: a picture is read when it is asked for, and not kept."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, overload

import imagecodecs
import numpy as np
import numpy.typing as npt
import tifffile

Image = npt.NDArray[Any]
_TIFF = (".tif", ".tiff")
_JPEG = (".jpg", ".jpeg")


class FrameFolder(Sequence[Image]):
    """The frames in a folder.

    Indexing and iterating read the file; ``len``, ``shape`` and ``dtype`` do not need more
    than the first frame. A slice is again lazy.

    Parameters
    ----------
    paths : sequence of Path
        One picture file per frame, in order.
    """

    def __init__(self, paths: Sequence[Path]) -> None:
        if not paths:
            raise ValueError("a stack needs at least one frame, got none")
        self.paths = tuple(Path(path) for path in paths)
        self._first: tuple[tuple[int, ...], np.dtype[Any]] | None = None

    def __len__(self) -> int:
        return len(self.paths)

    @overload
    def __getitem__(self, index: int) -> Image: ...
    @overload
    def __getitem__(self, index: slice) -> FrameFolder: ...
    def __getitem__(self, index: int | slice) -> Image | FrameFolder:
        if isinstance(index, slice):
            return FrameFolder(self.paths[index])
        return read_image(self.paths[index])

    def __iter__(self) -> Iterator[Image]:
        return (read_image(path) for path in self.paths)

    @property
    def shape(self) -> tuple[int, ...]:
        """(frames, H, W, 3)."""
        return (len(self), *self._layout()[0])

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of every frame's values."""
        return self._layout()[1]

    def _layout(self) -> tuple[tuple[int, ...], np.dtype[Any]]:
        if self._first is None:
            first = self[0]
            self._first = (first.shape, first.dtype)
        return self._first


def open_frames(folder: str | Path, info: Mapping[str, Any]) -> FrameFolder:
    """Return the frames that frames.json names, from the folder they lie in.

    Raises
    ------
    FileNotFoundError
        When a file named in `info` is missing.
    """
    folder = Path(folder)
    paths = [folder / Path(frame["file"]).name for frame in info["frames"]]
    for path in paths:
        if not path.is_file():
            raise FileNotFoundError(f"frame {path.name} is missing in {folder}")
    return FrameFolder(paths)


def read_image(path: str | Path) -> Image:
    """Read one picture file (TIFF, PNG, JPEG) as it is, without its opacity channel.

    Raises
    ------
    ValueError
        When the file is cut off, is no picture, or has another suffix.
    """
    path = Path(path)
    try:
        image = _read(path, path.suffix.lower())
    except OSError:  # there is no such file, or it may not be read
        raise
    except Exception as error:  # the readers raise many kinds on a broken file
        detail = " ".join(str(error).split())[:200]
        raise ValueError(f"{path.name} cannot be read as a picture: {detail}") from error
    return image[..., :3] if image.ndim == 3 and image.shape[2] == 4 else image


def _read(path: Path, suffix: str) -> Image:
    if suffix in _TIFF:
        return tifffile.imread(path)  # straight into the array, where nothing is compressed
    if suffix == ".png":
        return imagecodecs.png_decode(path.read_bytes())
    if suffix in _JPEG:
        return imagecodecs.jpeg8_decode(path.read_bytes())
    raise ValueError(f"suffix {suffix!r} is not one of {', '.join((*_TIFF, '.png', *_JPEG))}")


def write_image(path: str | Path, image: Image) -> None:
    """Write one picture; the suffix rules the format (.tif, .png, .jpg)."""
    path = Path(path)
    suffix = path.suffix.lower()
    if suffix in _TIFF:
        tifffile.imwrite(path, image, photometric="rgb" if image.ndim == 3 else "minisblack")
    elif suffix == ".png":
        path.write_bytes(imagecodecs.png_encode(image, level=1))
    elif suffix in _JPEG:
        path.write_bytes(imagecodecs.jpeg8_encode(image, level=95))
    else:
        raise ValueError(f"suffix {suffix!r} is not one of {', '.join((*_TIFF, '.png', *_JPEG))}")
