"""A suite: which stacks are rendered and which methods are run on them, read from TOML."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Literal

from pydantic import Field, TypeAdapter
from pydantic.dataclasses import dataclass

from ....ground.json_text import read_json
from ....simulator.data import find_data_file, load_toml, validate
from ....simulator.rig import STRICT
from ....simulator.stack.manifest import pretty_json
from ...isolate.methods_file import MethodTable
from ...request import RequestError
from .conditions import FACTORS
from .names import Name

#: The suite as it was run, in the benchmark's folder.
SUITE = "suite.json"

#: Steps of a ladder of severities.
SEVERITIES = 5


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Place:
    """A window that was found once: where a suite lays its crop on a scene.

    Parameters
    ----------
    scene, rig : str
        As the suite and the scene name them.
    crop : (width, height, left, top)
        Real pixels.
    depth_mm : (nearest, farthest)
        z of what it shows, through which the pass goes.
    f_number : float or None
        Other than the rig's.
    """

    scene: str
    rig: str
    crop: tuple[int, int, int, int]
    depth_mm: tuple[float, float]
    f_number: float | None = Field(default=None, gt=0)


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Ladder:
    """One thing made worse in five steps, all else as it was.

    Parameters
    ----------
    factor : str
        A key of `runners.bench.grid.conditions.FACTORS`.
    values : tuple of five floats
        From mild to severe, in the factor's unit.
    scenes : tuple of str
        Which of the suite's scenes; empty for all.
    stances : tuple of str
        Which of the suite's stances; empty for all.
    light : str or None
        Instead of the suite's lights: a flash that is hardly used never runs low.
    crop, bin
        Instead of the suite's: where many pixels are merged into one, noise is merged, too.
    """

    factor: str
    values: tuple[float, ...] = Field(min_length=SEVERITIES, max_length=SEVERITIES)
    scenes: tuple[str, ...] = ()
    stances: tuple[str, ...] = ()
    light: str | None = None
    crop: tuple[int, int] | None = None
    bin: int | None = Field(default=None, ge=1)

    def __post_init__(self) -> None:
        if self.factor not in FACTORS:
            raise ValueError(f"factor: got {self.factor!r}, allowed {', '.join(FACTORS)}")


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Suite:
    """What a benchmark runs: every scene with every handling, seed and method.

    Parameters
    ----------
    name, title : str
        For tables and people; in a file of its own the name is the file's if left out.
    scenes : tuple of str
        Names or paths; each with its own rig unless `rigs` says otherwise.
    rigs : tuple of str
        Rigs for every scene; empty for the one that the scene was made for.
    stances, lights, subjects : tuple of str
        Names or paths; every scene is shot with each of them.
    methods : tuple of str or MethodTable
        As ``stacktruth score --method`` takes them, or tables ``[[methods]]``.
    seeds : tuple of int
        Each gives every scene another pass.
    f_number : float or None
        Other than the rig's.
    frames : int or None
        Frames of a pass; None takes as many as it needs.
    crop : (width, height) or None
        Middle part of the sensor in real pixels.
    bin : int
        Real pixels merged into one, per side.
    windows : bool
        Whether the crop, of about as many pixels, lies on each of a scene's windows: a stack each,
        through whose own depth the pass goes. A window of less than three depths of field is
        refused.
    places : tuple of Place
        Windows that were found before. A scene that has none here, and names none, is looked at
        all over, which takes seconds.
    quality : {"fast", "true", "exact"}
        How right the frames' edges are; see `simulator.render_view`.
    ladders : tuple of Ladder
        Conditions, on top of the plain stacks.
    time_limit_s, memory_limit_mb : float or None
        For each run of a method.
    """

    name: Name
    title: str = ""
    scenes: tuple[str, ...] = Field(min_length=1)
    rigs: tuple[str, ...] = ()
    stances: tuple[str, ...] = ("kneeling",)
    lights: tuple[str, ...] = ("flash-sixteenth",)
    subjects: tuple[str, ...] = ("still",)
    methods: tuple[str | MethodTable, ...] = Field(min_length=1)
    seeds: tuple[int, ...] = (1,)
    f_number: float | None = Field(default=None, gt=0)
    frames: int | None = Field(default=None, ge=1)
    crop: tuple[int, int] | None = None
    bin: int = Field(default=1, ge=1)
    windows: bool = False
    places: tuple[Place, ...] = ()
    quality: Literal["fast", "true", "exact"] = "true"
    ladders: tuple[Ladder, ...] = ()
    time_limit_s: float | None = Field(default=300.0, gt=0)
    memory_limit_mb: float | None = Field(default=None, gt=0)

    def __post_init__(self) -> None:
        if self.windows and (self.crop is None or self.bin != 1):
            raise ValueError(
                f"windows: got crop {self.crop} and bin {self.bin}, allowed a crop and a "
                "bin of 1: they "
                "are of real pixels"
            )

    @property
    def shortcomings(self) -> tuple[str, ...]:
        """Why results rank nothing in the field: what is not as it is shot there."""
        found = []
        if self.bin > 1:
            found.append(f"{self.bin} x {self.bin} real pixels are merged into one")
        if self.frames is not None:
            found.append(f"a pass has {self.frames} frames, whatever it needs")
        if not self.windows and self.crop is not None and self.bin == 1:
            found.append("crops lie in the middle, with depth or without")
        return tuple(found)


def load_suite(name_or_path: str | Path) -> Suite:
    """Load a suite by the name of a shipped one, or from a TOML file.

    Raises
    ------
    simulator.data.DataFileError
        Unknown name, broken TOML, or a key or value that is not allowed.

    Examples
    --------
    >>> load_suite("quick").methods[:2]
    ('oracle', 'focus-map')
    """
    path = find_data_file(name_or_path, kind="suite")
    suite = validate(Suite, {"name": path.stem, **load_toml(path)}, where=path)
    folder = path.resolve().parent
    methods = tuple(one if isinstance(one, str) else one.within(folder) for one in suite.methods)
    return replace(suite, methods=methods)


def suite_text(suite: Suite) -> str:
    """Return a suite as it is written to a benchmark's folder."""
    return pretty_json(TypeAdapter(Suite).dump_python(suite, mode="json"))


def _told(error: Exception) -> str:
    """Return what a file's reader says; what the system says is what was got."""
    if isinstance(error, OSError):
        return f"got {error.strerror!r}, expected the file of a suite"
    return str(error)


def suite_in(folder: Path) -> Suite:
    """Return the suite that a benchmark's folder was made by.

    Raises
    ------
    RequestError
        The folder holds no benchmark.
    """
    try:
        held = read_json(folder / SUITE)
    except (OSError, ValueError) as error:
        raise RequestError(
            f"{folder}: no benchmark: {SUITE} cannot be read: {_told(error)}"
        ) from error
    return validate(Suite, held, where=folder / SUITE)
