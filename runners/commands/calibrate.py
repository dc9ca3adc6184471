"""``calibrate``: your own hands and flash, from a burst, as files for the other commands."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from ...simulator.handling.hands import load_stance
from ...simulator.handling.light import load_light
from ...simulator.rig import load_rig
from ..request import RequestError, new_path, request, whole_file
from .options import number, whole


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser(
        "calibrate",
        help="measure your hands and your flash from a burst",
        description="Photograph something flat and detailed that fills the picture, framed and "
        "held as you would in the field, in a burst of 40 frames or more: see --how.",
    )
    parser.set_defaults(run=run)
    parser.add_argument(
        "frames", metavar="FRAMES", nargs="?", help="folder of JPEG, PNG or TIFF, or a stack"
    )
    parser.add_argument("--rig", help="rig that it was taken with, by name or .toml file")
    parser.add_argument("--how", action="store_true", help="tell how to shoot the burst, and stop")
    parser.add_argument(
        "--out",
        metavar="PROFILE.toml",
        help="stance to make; the light is made beside it, as PROFILE-light.toml",
    )
    parser.add_argument(
        "--stance",
        default="kneeling",
        help="kind of pass, and what a burst cannot tell; by name or .toml file "
        "(default: kneeling)",
    )
    parser.add_argument(
        "--light",
        default="flash-sixteenth",
        help="flash as it was set: power, battery, waiting; by name or .toml file "
        "(default: flash-sixteenth)",
    )
    parser.add_argument(
        "--fps",
        type=_rate,
        metavar="N|LOW-HIGH",
        help="frames a second, or bounds of it, instead of the time stamps",
    )
    parser.add_argument(
        "--pitch",
        type=number(above=0),
        metavar="UM",
        help="size of the frames' pixels on the sensor (default: the whole sensor is shown)",
    )
    parser.add_argument(
        "--seed", type=whole(0), default=0, metavar="N", help="of the drawn intervals (default: 0)"
    )
    parser.add_argument("--json", action="store_true", help="print all numbers as JSON")


def run(args: argparse.Namespace) -> int:
    """Measure, print, and write both files if asked for."""
    if args.how:
        from ..calibrate.how import HOW  # noqa: PLC0415 - slow to load

        print(HOW)
        return 0
    from ..calibrate import calibrate, read_burst  # noqa: PLC0415 - slow to load
    from ..calibrate.profile import light_text, record, stance_text, summary_text  # noqa: PLC0415

    with request():
        if args.frames is None or args.rig is None:
            raise RequestError(
                "a calibration needs FRAMES and --rig; --how tells how to shoot them"
            )
        paths = None if args.out is None else _paths(args.out)
        rig = load_rig(args.rig)
        stance, light = load_stance(args.stance), load_light(args.light)
        burst = read_burst(args.frames, rig, frames_per_s=args.fps, pitch_um=args.pitch)
    found = calibrate(burst, rig, stance=stance, light=light, seed=args.seed)
    if paths is not None:
        for path, text in zip(paths, (stance_text(found), light_text(found)), strict=True):
            with whole_file(path) as draft:
                draft.write_text(text, encoding="utf-8")
    print(
        json.dumps(record(found), indent=1, allow_nan=False) if args.json else summary_text(found)
    )
    return 0


def _rate(text: str) -> tuple[float, float]:
    """Read ``8`` or ``7-9``."""
    low, dash, high = text.partition("-")
    rate = number(above=0)
    bounds = rate(low), rate(high if dash else low)
    if bounds[0] > bounds[1]:
        raise argparse.ArgumentTypeError(f"got {text!r}, allowed LOW-HIGH with LOW not above HIGH")
    return bounds


def _paths(out: str) -> tuple[Path, Path]:
    """Return the paths of stance and light."""
    path = Path(out)
    if path.suffix != ".toml":
        raise RequestError(f"--out is the .toml file of the stance to make, got {out!r}")
    return new_path(path), new_path(path.with_name(f"{path.stem}-light.toml"))
