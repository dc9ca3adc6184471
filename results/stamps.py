"""Tells which published studies are older than the code and the data that they are made from.

Beside each study lies ``made-from.json``: the checksum of every file that it was made from, as the
file was when it was made. A study is as the code is while all of them are the same.

Usage: ``python results/stamps.py`` lists the studies with what has changed since;
``python results/stamps.py NAME...`` stamps those that were just made by other means than
``remake.py``, which stamps what it makes.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from closure import ROOT, code_behind, meaning

from stacktruth.ground.checksum import sha256

HERE = Path(__file__).resolve().parent
_STAMP = "made-from.json"
#: What is said of a study that nobody has had the time to make.
NOT_MADE = "not made yet"
_SHOWN = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """One thing that is published, and what it is made from.

    Parameters
    ----------
    name : str
        Folder (or picture) below ``results``.
    made_by : tuple of str
        Files of code that make it; what they import counts as well.
    recipe : str
        The function of ``remake.py`` that calls them, where it says more than which.
    data : tuple of str
        Patterns of the files that it reads, below the root.
    """

    name: str
    made_by: tuple[str, ...]
    recipe: str = ""
    data: tuple[str, ...] = ()


def _scenes(*names: str) -> tuple[str, ...]:
    return tuple(f"scenes/{name}.toml" for name in names)


_ALL = _scenes("*", "rigs/field-1x", "rigs/field-2x")
_BY_FLASH = _scenes("lights/flash-sixteenth", "subjects/still")
_FIELD = (*_scenes("rigs/field-2x", "stances/braced", "stances/stepped"), *_BY_FLASH)
_RELIEF = (*_scenes("cone", "sticky-leaf"), *_FIELD)
#: Families that the standard suite draws from, most as they were when it was run.
_DRAWN = (
    *("circuit-board", "crystals", "dew", "feather-and-down", "spider-eyes", "targets"),
    *(f"earlier/{name}" for name in ("arthropod-head", "coin", "flower", "fungus-gills", "leaf")),
    *(f"earlier/{name}" for name in ("moss-and-lichen", "shell", "wing")),
)
_NATURAL = tuple(name for name in _DRAWN if name != "targets")
_REAL = (
    *_ALL,
    *_scenes(*(f"families/{name}" for name in _DRAWN)),
    *_scenes("rigs/field-5x", "suites/standard", "stances/braced"),
    *_scenes("stances/stepped"),
    *_BY_FLASH,
)
_POWERS = ("128th", "32nd", "sixteenth", "eighth", "quarter")
_REPRODUCED = "runners/reproduce"

STUDIES = {
    study.name: study
    for study in (
        Study(
            name="demo",
            made_by=("runners/demo/demo.py",),
            recipe="remake_demo",
            data=(
                *_scenes("snail-shell", "sticky-leaf", "rigs/field-1x", "rigs/field-2x"),
                *_scenes("stances/braced", "stances/kneeling"),
                *_BY_FLASH,
            ),
        ),
        Study(name="gallery.png", made_by=("runners/demo/gallery.py",), data=_ALL),
        Study(
            name="families",
            made_by=("runners/demo/families.py",),
            recipe="remake_families",
            data=_scenes("families/*", "rigs/field-1x", "rigs/field-2x", "rigs/field-5x"),
        ),
        Study(
            name="renderer",
            made_by=("tests/references/scoring.py", "tests/references/draw_scores.py"),
            recipe="remake_renderer",
            data=(
                *_scenes("rigs/test-rig"),
                "tests/references/mitsuba/*.toml",
                "tests/references/mitsuba/**/*.npz",
            ),
        ),
        Study(
            name="reproduce/autofocus-curves",
            made_by=(f"{_REPRODUCED}/autofocus.py",),
            data=(*_scenes("ramp"), *_FIELD),
        ),
        Study(
            name="reproduce/depth-aperture",
            made_by=(f"{_REPRODUCED}/depth_aperture.py",),
            data=_scenes("rigs/field-2x"),
        ),
        Study(
            name="reproduce/depth-step",
            made_by=(f"{_REPRODUCED}/depth_step.py",),
            data=_scenes("rigs/field-2x"),
        ),
        Study(name="reproduce/fusion-blocks", made_by=(f"{_REPRODUCED}/blocks.py",), data=_RELIEF),
        Study(
            name="reproduce/fusion-metrics",
            made_by=(f"{_REPRODUCED}/fusion_metrics.py",),
            data=(
                *_ALL,
                *_scenes("stances/braced", "stances/kneeling", "suites/binned"),
                *_BY_FLASH,
            ),
        ),
        Study(
            name="reproduce/metric-order",
            made_by=(f"{_REPRODUCED}/metric_order.py",),
            data=_scenes(
                *(f"families/{name}" for name in (*_NATURAL, "earlier/petal-edge")),
                *("rigs/field-1x", "rigs/field-2x", "rigs/field-5x", "stances/braced"),
            ),
        ),
        Study(name="reproduce/peak-interpolation", made_by=(f"{_REPRODUCED}/interpolation.py",)),
        Study(
            name="reproduce/sff-operators-2013",
            made_by=(f"{_REPRODUCED}/operators.py",),
            data=_RELIEF,
        ),
        Study(
            name="reproduce/window-edges",
            made_by=(f"{_REPRODUCED}/window_edges.py",),
            data=_scenes("rigs/field-2x"),
        ),
        Study(
            name="quick",
            made_by=("runners/bench/__init__.py", "runners/bench/report/report.py"),
            recipe="remake_suite",
            data=(
                *_scenes("pickets", "ramp", "snail-shell", "sticky-leaf", "rigs/field-1x"),
                *_scenes("rigs/field-2x", "stances/braced", "suites/quick"),
                *_BY_FLASH,
            ),
        ),
        Study(
            name="standard",
            made_by=("runners/bench/__init__.py", "runners/bench/report/report.py"),
            recipe="remake_suite",
            data=(*_REAL, *_scenes("lights/flash-quarter")),
        ),
        Study(
            name="regime",
            made_by=("results/regime.py", "runners/bench/__init__.py"),
            recipe="remake_regime",
            data=_REAL,
        ),
        Study(
            name="calibrate",
            made_by=("runners/calibrate/loop.py", "runners/calibrate/loop_report.py"),
            recipe="remake_calibrate",
            data=(
                *_scenes("coin", "rigs/field-2x", "lights/flash-eighth", "subjects/still"),
                *_scenes("stances/elbows-tucked", "stances/kneeling", "stances/stepped"),
            ),
        ),
        Study(
            name="review",
            made_by=("runners/review/trial.py", "runners/review/trial_figure.py"),
            recipe="remake_review",
            data=(
                *_scenes("coin", "cone", "lichen-cup", "mineral"),
                *_scenes("moss", "ramp", "snail-shell", "steps"),
                *_scenes("rigs/field-2x", "rigs/field-5x", "rigs/bellows-objective"),
                *_scenes("lights/flash-sixteenth", "subjects/still"),
                *_scenes("stances/braced", "stances/elbows-tucked", "stances/kneeling"),
                *_scenes("stances/stepped"),
            ),
        ),
        Study(
            name="study",
            made_by=("runners/commands/plan.py",),
            recipe="remake_study",
            data=(
                *_scenes("mineral", "rigs/field-2x", "stances/kneeling", "stances/stepped"),
                *_scenes("stances/braced", "stances/in-hand-stem"),
                *_BY_FLASH,
            ),
        ),
        Study(
            name="promises",
            made_by=("results/promises.py",),
            recipe="remake_promises",
            data=(
                *_scenes("rigs/field-1x", "rigs/field-2x", "rigs/field-5x"),
                *_scenes("stances/*", "lights/ambient-burst", "lights/steady-lamp"),
                *_scenes(*(f"lights/flash-{power}" for power in _POWERS)),
                *_scenes("subjects/still", "subjects/sheltered", "subjects/light-air"),
            ),
        ),
        Study(
            name="ranking",
            made_by=(
                "runners/bench/ranking/simulation.py",
                "runners/bench/ranking/folder.py",
            ),
            recipe="remake_ranking",
            data=("results/standard/rows.csv", "results/standard/suite.json"),
        ),
        Study(
            name="limits",
            made_by=("runners/judge/limits_check.py",),
            recipe="remake_limits",
            data=(
                *_ALL,
                *_scenes("stances/braced", "stances/kneeling", "stances/stepped"),
                *_BY_FLASH,
            ),
        ),
    )
}


def study(name: str) -> Study:
    """Return the study of that name.

    Raises
    ------
    ValueError
        There is none.
    """
    if name not in STUDIES:
        raise ValueError(f"no study is called {name!r}; there are {', '.join(STUDIES)}")
    return STUDIES[name]


def made_from(one: Study, *, root: Path = ROOT) -> dict[str, str]:
    """Return what a study would be made from now: each file's checksum by its path."""
    found = {name: _meaning(root / name) for name in code_behind(one.made_by, root=root)}
    for pattern in one.data:
        there = [path for path in root.glob(pattern) if path.is_file()]
        if not there:
            raise FileNotFoundError(f"{one.name}: nothing is called {pattern} below {root}")
        found.update({path.relative_to(root).as_posix(): _meaning(path) for path in there})
    if one.recipe:
        remake = root / "results" / "remake.py"
        found[f"results/remake.py {one.recipe}"] = meaning(remake, part=one.recipe)
    return dict(sorted(found.items()))


def _meaning(path: Path) -> str:
    stamp = path.stat()
    return _meaning_of(path, stamp.st_mtime_ns, stamp.st_size)


@cache
def _meaning_of(path: Path, *_stamp: int) -> str:
    return meaning(path)


def stamp_path(one: Study, *, results: Path = HERE) -> Path:
    """Return where a study's checksums lie: in its folder, or beside its picture."""
    place = results / one.name
    return place.with_suffix(f".{_STAMP}") if place.suffix else place / _STAMP


def write_stamp(one: Study, files: Mapping[str, str], *, results: Path = HERE) -> Path:
    """Write what a study was made from.

    Parameters
    ----------
    one : Study
    files : mapping of str to str
        As `made_from` gave it before the study was made.
    """
    path = stamp_path(one, results=results)
    held = {"checksum": whole(files), "files": dict(files)}
    path.write_text(json.dumps(held, indent=1) + "\n", encoding="utf-8")
    return path


def whole(files: Mapping[str, str]) -> str:
    """Return one checksum for all files of a stamp."""
    return sha256(json.dumps(sorted(files.items())).encode())


def is_made(one: Study, *, results: Path = HERE) -> bool:
    """Tell whether a study has been made at all: its picture is there, or a table in its folder."""
    place = results / one.name
    return place.is_file() or any(place.glob("*.csv"))


def changes(one: Study, *, root: Path = ROOT, results: Path | None = None) -> list[str]:
    """Return why a study is older than the code; nothing where it is as the code is.

    Returns
    -------
    list of str
        The files that are not what they were, come or gone; or that there is no stamp.
    """
    path = stamp_path(one, results=results or root / "results")
    if not path.is_file():
        return ["no checksum tells what it was made from"]
    held = json.loads(path.read_text(encoding="utf-8"))
    now = made_from(one, root=root)
    if held["checksum"] == whole(now):
        return []
    was = held["files"]
    return sorted(name for name in was.keys() | now.keys() if was.get(name) != now.get(name)) or [
        f"{_STAMP} was edited"
    ]


def stale(*, root: Path = ROOT) -> dict[str, list[str]]:
    """Return the studies that are older than the code, each with why."""
    found = {name: changes(one, root=root) for name, one in STUDIES.items()}
    return {name: why for name, why in found.items() if why}


def told() -> str:
    """Return one line a study: whether it is as the code is, and what has changed since."""
    old = stale()
    width = max(map(len, STUDIES))
    lines = []
    for name, one in STUDIES.items():
        why = old.get(name, [])
        more = f" and {len(why) - _SHOWN} more" if len(why) > _SHOWN else ""
        state = f"older than the code: {', '.join(why[:_SHOWN])}{more}" if why else "as the code is"
        lines.append(f"{name:{width}}  {state if is_made(one) else NOT_MADE}")
    return "\n".join(lines)


if __name__ == "__main__":
    try:
        for one in [study(name) for name in sys.argv[1:]]:
            print(write_stamp(one, made_from(one)))
    except ValueError as error:
        print(error, file=sys.stderr)
        sys.exit(2)
    if not sys.argv[1:]:
        print(told())
