"""The rendered study behind ``plan --study``: its options, and how it is run.

What renders and merges is slow to load, so it is imported where it is needed.
"""

from __future__ import annotations

import argparse
import sys
from math import ceil
from typing import TYPE_CHECKING

from ...simulator.rig import Rig
from ..plan import Plan, Setting
from ..request import RequestError
from .options import add_progress_option, number, shows_progress, size, whole

if TYPE_CHECKING:
    from ..plan.study.study import Study, StudySetup

#: Depths of scenes are told to this.
_DEPTH_MM = 0.01
_PARTS = ("all", "steps", "ways")
_DEFAULTS = {
    "study_method": "laplacian-pyramid",
    "study_part": "all",
    "study_seeds": 3,
    "study_crop": (1536, 1024),
}


def add_study_options(parser: argparse.ArgumentParser) -> None:
    """Add ``--study`` and what goes with it."""
    study = parser.add_argument_group(
        "study", "renders a scene, merges it and scores it: minutes, not seconds; needs --out"
    )
    study.add_argument("--study", metavar="SCENE", help="scene, by name or .toml file")
    study.add_argument(
        "--study-method",
        metavar="M",
        help="merges the frames: name, path/to/file.py:function, or a command line "
        "(default: laplacian-pyramid)",
    )
    study.add_argument(
        "--study-part",
        choices=_PARTS,
        help="steps: over the step, on a support and in these hands; ways: the plan's best three "
        "and the unplanned one (default: all)",
    )
    study.add_argument(
        "--study-steps",
        type=_shares,
        metavar="S,S,...",
        help="steps over the depth of field (default: 0.3 to 2.8 in six)",
    )
    study.add_argument(
        "--study-seeds", type=whole(1), metavar="N", help="stacks of each kind (default: 3)"
    )
    study.add_argument(
        "--study-crop",
        type=size,
        metavar="WxH",
        help="middle part of the sensor, in its own pixels (default: 1536x1024)",
    )
    study.add_argument("--workers", type=whole(1), metavar="N", help="processes (default: 1)")
    add_progress_option(parser)


def check_study(args: argparse.Namespace) -> None:
    """Complain about options that do not go together; fill in those that were left out.

    Raises
    ------
    RequestError
    """
    names = (*_DEFAULTS, "study_steps", "workers")
    given = [f"--{name.replace('_', '-')}" for name in names if getattr(args, name) is not None]
    if args.study is None:
        if given:
            raise RequestError(f"{', '.join(given)} goes with --study, got none")
        if args.subject_depth is None:
            raise RequestError("a plan needs --subject-depth, or --study with a scene")
    elif args.out is None:
        raise RequestError("--study needs --out, the folder for its pictures")
    for name, value in _DEFAULTS.items():
        if getattr(args, name) is None:
            setattr(args, name, value)


def depth_of(args: argparse.Namespace, rig: Rig) -> float:
    """Return the depth that is asked for, or that the study's scene shows, rounded up, mm."""
    if args.subject_depth is not None:
        return float(args.subject_depth)
    from ...simulator.scene.scene import load_scene  # noqa: PLC0415
    from ..plan.study.study import depth_in_view  # noqa: PLC0415

    near, far = depth_in_view(load_scene(args.study), rig, crop=_crop(args, rig))
    return ceil((far - near) / _DEPTH_MM) * _DEPTH_MM


def study_setup(args: argparse.Namespace, setting: Setting) -> StudySetup | None:
    """Return what the study's stacks share; None without a study."""
    if args.study is None:
        return None
    from ..plan.study.study import setup_for  # noqa: PLC0415

    crop = _crop(args, setting.rig)
    return setup_for(setting, args.study, method=args.study_method, crop=crop)


def study_of(args: argparse.Namespace, plan: Plan, setup: StudySetup) -> Study:
    """Run the study."""
    from ..plan.study.study import STEP_SHARES, Study, plan_stacks, run_study, step_stacks  # noqa: PLC0415

    seeds, stacks = range(args.study_seeds), []
    if args.study_part != "ways":
        shares = args.study_steps or STEP_SHARES
        stacks += step_stacks(plan.setting, setup, shares=shares, seeds=seeds)
    if args.study_part != "steps":
        stacks += plan_stacks(plan, setup, seeds=seeds)
    rows = run_study(stacks, setup, workers=args.workers or 1, progress=shows_progress(args))
    return Study(setup=setup, rows=rows)


def tell_failures(study: Study) -> int:
    """Say on stderr which stacks could not be merged, and return the exit status."""
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


def _crop(args: argparse.Namespace, rig: Rig) -> tuple[int, int]:
    width, height = args.study_crop
    return min(width, rig.sensor.width_px), min(height, rig.sensor.height_px)


def _shares(text: str) -> tuple[float, ...]:
    """Read numbers above 0, separated by commas."""
    return tuple(number(above=0)(part) for part in text.split(","))
