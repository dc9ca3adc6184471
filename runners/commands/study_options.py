"""The rendered study behind ``plan --study``: its options, and how it is run.

What renders and merges is slow to load, so it is imported where it is needed.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil
from typing import TYPE_CHECKING

from ...simulator.processes import usable_cores
from ...simulator.rig import Rig
from ..plan import Plan, Setting
from ..request import RequestError
from .options import add_progress_option, add_workers_option, number, shows_progress, size, whole

if TYPE_CHECKING:
    from ..plan.study.study import Study, StudySetup

#: The depth of a scene is rounded up to a multiple of this.
_DEPTH_MM = 0.01
_PARTS = ("all", "steps", "ways", "try")
#: Merges the frames unless another method is asked for: laid out in the literature, fast, and
#: hard to break.
_METHOD = "laplacian-pyramid"
#: Steps over the depth of field.
_STEPS = (0.3, 0.6, 0.9, 1.3, 1.9, 2.8)
#: Stacks of each kind.
_SEEDS = 3
#: Middle of the sensor that is rendered, in its own pixels.
_CROP = (1536, 1024)
#: Options that go with ``--study`` alone, by their names in the parsed arguments.
_OPTIONS = (
    "study_method",
    "study_part",
    "study_steps",
    "study_seeds",
    "study_try",
    "study_crop",
    "workers",
)


@dataclass(frozen=True, kw_only=True)
class StudyRequest:
    """What the options ask of a study.

    Parameters
    ----------
    scene : str
        By name or .toml file.
    methods : tuple of str
        Merge the frames: the first in all parts, the others in the try alone.
    part : {"all", "steps", "ways", "try"}
    steps : sequence of float
        Over the depth of field.
    seeds : int
        Stacks of each kind.
    number : int
        Which try is shown.
    crop : (width, height)
        Middle part of the sensor, in its own pixels; what is larger than the sensor is cut.
    workers : int
        Processes.
    progress : bool
        A bar on stderr.
    """

    scene: str
    methods: tuple[str, ...]
    part: str
    steps: Sequence[float]
    seeds: int
    number: int
    crop: tuple[int, int]
    workers: int
    progress: bool

    def crop_of(self, rig: Rig) -> tuple[int, int]:
        """Return the part of a rig's sensor that is rendered."""
        width, height = self.crop
        return min(width, rig.sensor.width_px), min(height, rig.sensor.height_px)


def add_study_options(parser: argparse.ArgumentParser) -> None:
    """Add ``--study`` and what goes with it."""
    study = parser.add_argument_group(
        "study", "renders a scene, merges it and scores it: minutes, not seconds; needs --out"
    )
    study.add_argument("--study", metavar="SCENE", help="scene, by name or .toml file")
    study.add_argument(
        "--study-method",
        action="append",
        metavar="M",
        help="merges the frames: name, path/to/file.py:function, or a command line; may be given "
        "again: the others merge the try alone "
        f"(default: {_METHOD})",
    )
    study.add_argument(
        "--study-part",
        choices=_PARTS,
        help="steps: over the step, on a support and in these hands; ways: the plan's best three "
        "and the unplanned one; try: what was planned, shot once, frame by frame, as try.html "
        "(default: all)",
    )
    study.add_argument(
        "--study-steps",
        type=_shares,
        metavar="S,S,...",
        help=f"steps over the depth of field (default: {','.join(map(str, _STEPS))})",
    )
    study.add_argument(
        "--study-seeds", type=whole(1), metavar="N", help=f"stacks of each kind (default: {_SEEDS})"
    )
    study.add_argument(
        "--study-try",
        type=whole(0),
        metavar="N",
        help="which try is shown: another number, other luck (default: 0)",
    )
    study.add_argument(
        "--study-crop",
        type=size,
        metavar="WxH",
        help=f"middle part of the sensor, in its own pixels (default: {_CROP[0]}x{_CROP[1]})",
    )
    add_workers_option(study, default=None)
    add_progress_option(parser)


def study_request(args: argparse.Namespace) -> StudyRequest | None:
    """Return the study that the options ask for; None without ``--study``.

    Raises
    ------
    RequestError
        Options that do not go together.
    """
    if args.study is None:
        alone = [name for name in _OPTIONS if getattr(args, name) is not None]
        if alone:
            options = ", ".join(f"--{name.replace('_', '-')}" for name in alone)
            raise RequestError(f"{options} goes with --study, got none")
        return None
    if args.out is None:
        raise RequestError("--study needs --out, the folder for its pictures")
    return StudyRequest(
        scene=args.study,
        methods=tuple(args.study_method or [_METHOD]),
        part=args.study_part or _PARTS[0],
        steps=args.study_steps or _STEPS,
        seeds=args.study_seeds or _SEEDS,
        number=args.study_try or 0,
        crop=args.study_crop or _CROP,
        workers=args.workers or usable_cores(),
        progress=shows_progress(args),
    )


def depth_of(study: StudyRequest, rig: Rig) -> float:
    """Return the depth that the study's scene shows, rounded up, mm."""
    from ...simulator.loading.scenes import load_scene  # noqa: PLC0415
    from ..plan.study.study import depth_in_view  # noqa: PLC0415

    near, far = depth_in_view(load_scene(study.scene), rig, crop=study.crop_of(rig))
    return ceil((far - near) / _DEPTH_MM) * _DEPTH_MM


def study_runner(asked: StudyRequest, setting: Setting) -> Callable[[Plan], Study]:
    """Return what runs the study of a plan; a missing scene or method is told now, not then.

    Raises
    ------
    ValueError
        There is no such scene or method.
    """
    from ..isolate.run import find_method  # noqa: PLC0415
    from ..plan.study.study import (  # noqa: PLC0415
        Study,
        plan_stacks,
        run_study,
        setup_for,
        step_stacks,
    )

    for method in asked.methods:
        find_method(method)  # raises now, not after the first stack

    crop, seeds = asked.crop_of(setting.rig), range(asked.seeds)
    setup = setup_for(setting, asked.scene, method=asked.methods[0], crop=crop)

    def run(plan: Plan) -> Study:
        stacks = []
        if asked.part in ("all", "steps"):
            stacks += step_stacks(plan.setting, setup, shares=asked.steps, seeds=seeds)
        if asked.part in ("all", "ways"):
            stacks += plan_stacks(plan, setup, seeds=seeds)
        rows = run_study(stacks, setup, workers=asked.workers, progress=asked.progress)
        page = _try_page(plan, setup, asked) if asked.part in ("all", "try") else ""
        return Study(setup=setup, rows=rows, try_page=page)

    return run


def _try_page(plan: Plan, setup: StudySetup, asked: StudyRequest) -> str:
    """Shoot what the plan says once, and return the page of it."""
    from ..plan.show.record import planned_of  # noqa: PLC0415
    from ..plan.study.merged import merged_try  # noqa: PLC0415

    return merged_try(planned_of(plan), setup, methods=asked.methods, seed=asked.number)


def tell_failures(study: Study) -> int:
    """Say on stderr which stacks could not be merged, and return the exit status."""
    if study.rows.empty:  # a try alone: its page says what could not be merged
        return 0
    failed = study.rows[study.rows["status"] != "ok"]
    if failed.empty:
        return 0
    first = failed.iloc[0]
    print(
        f"stacktruth plan: {len(failed)} of {len(study.rows)} stacks failed, the first with "
        f"{first['status']}: {first['reason']}",
        file=sys.stderr,
    )
    return 1


def _shares(text: str) -> tuple[float, ...]:
    """Read numbers above 0, separated by commas."""
    return tuple(number(above=0)(part) for part in text.split(","))
