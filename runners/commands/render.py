"""``render``: a scene, photographed by hand, as a stack folder with its truth."""

from __future__ import annotations

import argparse
from typing import Any

from ...simulator import load_rig, load_scene
from ...simulator.compositing.levels import DEFAULT, LEVELS
from ...simulator.shooting.sensor import saturation_e
from ...simulator.shooting.shoot import Shoot, shoot
from ...simulator.stack.frameio import FORMATS
from ...simulator.stack.stackio import write_stack
from ..request import RequestError, new_path, request
from .options import (
    add_device_option,
    add_picture_options,
    add_progress_option,
    add_workers_option,
    number,
    shows_progress,
    whole,
)

#: Options that a plan stands for.
_OF_PLAN = ("rig", "stance", "light", "subject", "frames", "near", "far", "reference")
#: What work costs, however many frames there are.
MEMORY = (
    "Frames and truth are drawn in tiles of at most 1280 x 1280 pixels, each process one at a "
    "time; finished tiles wait on the disk beside STACK. So memory grows with the number of "
    "processes and with the pixels of one frame, not with the number of frames: a process holds "
    "about 0.35 GB, and 90 bytes for each pixel of a frame while it finishes one or the truth. "
    "Fewer --workers take less."
)


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser(
        "render",
        help="render a scene into a stack with its truth",
        description=MEMORY,
    )
    parser.set_defaults(run=run)
    parser.add_argument("scene", metavar="SCENE", help="scene, by name, .toml file or FAMILY:SEED")
    parser.add_argument("--out", required=True, metavar="STACK", help="folder to make")
    add_picture_options(parser)
    for option, what in (
        ("--stance", "how the camera is held"),
        ("--light", "flash, ambient light and cadence"),
        ("--subject", "how the living parts move"),
    ):
        parser.add_argument(option, help=f"{what}, by name or .toml file")
    parser.add_argument(
        "--frames", type=whole(1), metavar="N", help="frames (default: what the pass needs)"
    )
    parser.add_argument(
        "--seed", type=whole(0), default=0, metavar="N", help="of all that is random (default: 0)"
    )
    parser.add_argument(
        "--reference",
        type=whole(0),
        metavar="N",
        help="frame in whose view methods merge and the truth is (default: the middle of the pass)",
    )
    parser.add_argument(
        "--iso",
        type=number(above=0),
        default=100.0,
        metavar="N",
        help="sensitivity of the sensor (default: 100)",
    )
    for option, what in (("--near", "start"), ("--far", "end")):
        parser.add_argument(
            option, type=number(), metavar="MM", help=f"z of the plane of focus at the {what}"
        )
    parser.add_argument(
        "--plan",
        metavar="FILE",
        help="plan.json of a plan's folder: shoots what it says, with people starting and stopping "
        "as they do; STACK is then a folder with a stack for each pass (pass-1, pass-2, ...) and "
        "index.html, which shows all frames and the depths that they miss. Another --seed is "
        "another try",
    )
    parser.add_argument("--noise-free", action="store_true", help="leave out all sensor noise")
    parser.add_argument(
        "--quality",
        choices=list(LEVELS),
        default=DEFAULT,
        help=quality_help(),
    )
    parser.add_argument("--bayer", action="store_true", help="one colour a pixel on the sensor")
    parser.add_argument(
        "--format",
        choices=list(FORMATS),
        default="tiff16",
        help="; ".join(f"{found.name}: {found.title}" for found in FORMATS.values()),
    )
    add_workers_option(parser)
    add_device_option(parser)
    add_progress_option(parser)


def quality_help() -> str:
    """Return what the levels of quality promise."""
    promises = "; ".join(
        f"{level.name}: {level.holds_db[0]} dB overall, {level.holds_db[1]} near edges, "
        f"{level.holds_db[2]} in the worst block"
        for level in LEVELS.values()
    )
    return f"how near to a path tracer's picture, at least: {promises} (default: {DEFAULT})"


def run(args: argparse.Namespace) -> int:
    """Render the stack, or what a plan says."""
    if args.plan is not None:
        return _run_plan(args)
    with request():
        path = new_path(args.out)
        shooting = shoot_of(args)
        # What cannot be carried out is refused here, before the first frame.
        saturation_e(shooting.rig.sensor, iso=shooting.iso)
        records = shooting.records
    write_stack(
        shooting, path, format=args.format, workers=args.workers, progress=shows_progress(args)
    )
    rows, cols = shooting.camera(0).frame.shape
    usable = sum(record.usable for record in records)
    frames = "1 frame" if shooting.frames == 1 else f"{shooting.frames} frames"
    print(
        f"{path}: {frames} of {cols}x{rows} pixels, {usable} usable, "
        f"truth in the view of frame {shooting.reference}"
    )
    return 0


def _run_plan(args: argparse.Namespace) -> int:
    """Shoot what a plan says, a stack a pass."""
    from ..plan.draw.planned import read_planned  # noqa: PLC0415 - slow to load
    from ..plan.study.rehearse import depth_shown_mm, pass_name, write_try  # noqa: PLC0415
    from ..plan.study.tries import try_of  # noqa: PLC0415
    from ..plan.study.try_page import sentences  # noqa: PLC0415

    with request():
        path = new_path(args.out)
        _refuse_beside_plan(args)
        planned, scene = read_planned(args.plan), load_scene(args.scene)
        ends = depth_shown_mm(scene, planned.setting.rig, crop=args.crop)
        made = try_of(planned, scene, ends_mm=ends, seed=args.seed, **_how(args))
        saturation_e(planned.setting.rig.sensor, iso=args.iso)
        said = sentences(made)
    write_try(made, path, format=args.format, workers=args.workers, progress=shows_progress(args))
    passes = len(made.shoots)
    print(f"{path}: {', '.join(pass_name(number) for number in range(passes))}", *said, sep="\n")
    return 0


def _refuse_beside_plan(args: argparse.Namespace) -> None:
    """Refuse options whose value the plan has."""
    given = [name for name in _OF_PLAN if getattr(args, name) is not None]
    if given:
        options = ", ".join(f"--{name}" for name in given)
        raise RequestError(f"{options} is what the plan says: got it beside --plan, allowed one")


def _how(args: argparse.Namespace) -> dict[str, Any]:
    """Return how frames are rendered, whatever is shot."""
    return {
        "crop": args.crop,
        "bin": args.bin or 1,
        "iso": args.iso,
        "noise": not args.noise_free,
        "bayer": args.bayer,
        "quality": args.quality,
        "device": args.device,
    }


def shoot_of(args: argparse.Namespace) -> Shoot:
    """Return the shoot that the options ask for."""
    scene = load_scene(args.scene)
    asked = {name: getattr(args, name) for name in ("stance", "light", "subject")}
    return shoot(
        scene,
        load_rig(args.rig or scene.rig),
        **{name: value for name, value in asked.items() if value is not None},
        frames=args.frames,
        seed=args.seed,
        reference=args.reference,
        near_mm=args.near,
        far_mm=args.far,
        **_how(args),
    )
