"""The folder and the environment that one run of a method gets, and how its end is read."""

from __future__ import annotations

import os
import resource
import shutil
import signal
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from ...ground.frames import FrameFiles
from ...ground.litter import PREFIX, owner, remove_litter, removed
from ...ground.pictures import write_copy
from ...ground.text import plain_line
from ...ground.threads import ONE_THREAD
from ..contract import Outcome, Status
from .supervise import Ended, Limits

# Of a whole result: colours, depth and confidence in single precision, and some room.
_BYTES_A_PIXEL = 32
#: What the reason says where neither the method nor its limits ended it.
FROM_OUTSIDE = "ended from outside"
_SIGNALS_FROM_OUTSIDE = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT, signal.SIGHUP)


@dataclass(frozen=True)
class Workplace:
    """One run's own folders; nothing of the stack's truth lies below them.

    Parameters
    ----------
    root : Path
        Holds them all.
    """

    root: Path

    @classmethod
    def make(cls, root: Path) -> Workplace:
        """Make the folders, in one that may be there already."""
        place = cls(root)
        for folder in (place.folder, place.frames, place.held):
            folder.mkdir(parents=True)
        return place

    @property
    def folder(self) -> Path:
        """Working folder of the method, the only one that it may write to."""
        return self.root / "work"

    @property
    def frames(self) -> Path:
        """Where copies of the frames lie for the method to read."""
        return self.root / "frames"

    @property
    def held(self) -> Path:
        """What the method may not see: frames before its clock runs, and how it is kept apart."""
        return self.root / "held"

    def hand_over_frames(self) -> None:
        """Move copies that are held back to where the method sees them, read-only."""
        for path in sorted((self.held / "frames").iterdir()):
            path.rename(self.frames / path.name)
        self.frames.chmod(0o555)

    def take_frames_back(self) -> None:
        """Remove the copies of frames that the method saw."""
        self.frames.chmod(0o700)
        for path in list(self.frames.iterdir()):
            path.unlink()

    def environment(self, allowed: Sequence[str] = ()) -> dict[str, str]:
        """Return a small environment: fresh home and temporary folder, one thread per library.

        Parameters
        ----------
        allowed : sequence of str
            Names to take over from this process, or ``NAME=value`` to set.
        """
        home, temporary = self.folder / "home", self.folder / "tmp"
        home.mkdir(exist_ok=True)
        temporary.mkdir(exist_ok=True)
        values = {
            "PATH": os.environ.get("PATH", os.defpath),
            "HOME": str(home),
            "LC_ALL": "C.UTF-8",
            **dict.fromkeys(("TMPDIR", "TMP", "TEMP", "TEMPDIR"), str(temporary)),
            **{name: os.environ.get(name, one) for name, one in ONE_THREAD.items()},
        }
        for entry in allowed:
            name, given, value = entry.partition("=")
            if given:
                values[name] = value
            elif name in os.environ:
                values[name] = os.environ[name]
        return values


@contextmanager
def workplace(work_dir: Path | None) -> Iterator[Workplace]:
    """Make a fresh folder for one run below `work_dir` and remove it afterwards."""
    if work_dir is not None:
        work_dir.mkdir(parents=True, exist_ok=True)
    above = Path(tempfile.gettempdir()) if work_dir is None else work_dir
    _clear_once(above)
    made = tempfile.mkdtemp(prefix=f"{PREFIX}run-{owner()}-", dir=above)
    place = Workplace.make(Path(made).resolve())
    try:
        yield place
    finally:
        removed(place.root)


@lru_cache(maxsize=16)
def _clear_once(folder: Path) -> None:
    """Remove what killed runs left in a folder, once in the life of this process."""
    remove_litter(folder)


def open_frames(folder: str | Path, info: Mapping[str, Any]) -> FrameFiles:
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
            raise FileNotFoundError(
                f"frame {path.name} is missing in {folder}: got no file, expected one"
            )
    return FrameFiles(paths)


def lay_out_frames(
    frames: Sequence[Any] | FrameFiles, folder: Path, *, as_format: str = ""
) -> list[str]:
    """Put copies of frames into a folder, read-only, under names that tell nothing.

    Parameters
    ----------
    frames : sequence of ndarray or FrameFiles
        Files of a `FrameFiles` are copied as they are unless another format is wanted.
    folder : Path
        Made when missing.
    as_format : {"", "tiff16", "tiff8", "png16", "png8", "jpeg8"}
        Format wanted; "" keeps files, and writes arrays as TIFF of their own type.

    Returns
    -------
    list of str
        The names: numbers in the frames' order.
    """
    folder.mkdir(parents=True, exist_ok=True)
    suffix, bits = FORMATS[as_format]
    names = []
    for index in range(len(frames)):
        if isinstance(frames, FrameFiles) and not as_format:
            path = folder / f"{index:04d}{frames.paths[index].suffix}"
            shutil.copyfile(frames.paths[index], path)
        else:
            path = folder / f"{index:04d}{suffix}"
            write_copy(path, with_bits(frames[index], bits))
        path.chmod(0o444)
        names.append(path.name)
    return names


def told(info: Mapping[str, Any], names: Sequence[str]) -> dict[str, Any]:
    """Return a stack's frames.json with the names that its copies have."""
    frames = [
        {**frame, "file": f"frames/{name}"}
        for frame, name in zip(info["frames"], names, strict=True)
    ]
    return {**info, "frames": frames}


def short_of_room(folder: Path, info: Mapping[str, Any]) -> bool:
    """Tell whether a result could not be written in a folder: too little is free, or allowed."""
    largest = int(info["height_px"]) * int(info["width_px"]) * _BYTES_A_PIXEL
    room = shutil.disk_usage(folder).free
    allowed = resource.getrlimit(resource.RLIMIT_FSIZE)[0]
    return min(room, room if allowed == resource.RLIM_INFINITY else allowed) < largest


FORMATS: dict[str, tuple[str, int]] = {
    "": (".tif", 0),
    "tiff16": (".tif", 16),
    "tiff8": (".tif", 8),
    "png16": (".png", 16),
    "png8": (".png", 8),
    "jpeg8": (".jpg", 8),
}


def with_bits(image: Any, bits: int) -> Any:
    """Bring a picture to 8 or 16 bits per value; 0 leaves it as it is."""
    own = {"uint8": 8, "uint16": 16}.get(image.dtype.name, 32)
    if bits in (0, own):
        return image
    top = {8: 255.0, 16: 65535.0, 32: 1.0}
    scaled = np.clip(image.astype(np.float32) * np.float32(top[bits] / top[own]), 0, top[bits])
    return np.rint(scaled).astype(np.uint8 if bits == 8 else np.uint16)


def outcome_of(ended: Ended, limits: Limits, *, isolation: str) -> Outcome:
    """Return how a program ended as an outcome that has no result yet."""
    status, reason, from_outside = _ending(ended, limits)
    return Outcome(
        status=status,
        reason=reason,
        from_outside=from_outside,
        seconds=ended.seconds,
        peak_mb=ended.peak_mb,
        stdout=ended.stdout,
        stderr=ended.stderr,
        isolation=isolation,
    )


def _ending(ended: Ended, limits: Limits) -> tuple[Status, str, bool]:
    """Return status, reason, and whether the program was ended from outside."""
    overruns: dict[str, tuple[Status, str]] = {
        "time": ("timed-out", f"took more than {limits.time_s:g} s"),
        "memory": ("killed", f"took more than {ended.memory_limit_mb or 0:g} MB of memory"),
        "processes": ("killed", f"had more than {limits.processes} processes"),
        "disk": ("killed", f"wrote more than {limits.disk_mb:.0f} MB"),
    }
    if ended.overrun:
        return (*overruns[ended.overrun], False)
    if ended.returncode < 0:
        return _by_signal(-ended.returncode, by_itself=ended.by_itself)
    if ended.returncode > 0:
        lines = [line for line in ended.stderr.splitlines() if line.strip()]
        last = f": {plain_line(lines[-1], longest=200)}" if lines else ""
        return "failed", f"ended with exit status {ended.returncode}{last}", False
    return "ok", "", False


def _by_signal(number: int, *, by_itself: bool) -> tuple[Status, str, bool]:
    name = signal.Signals(number).name if number in list(signal.Signals) else str(number)
    if number in _SIGNALS_FROM_OUTSIDE and not by_itself:
        return "killed", f"{FROM_OUTSIDE} by signal {name}", True
    return "failed", f"crashed with signal {name}", False
