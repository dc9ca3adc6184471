"""``calibrate-lens``: your own lens, from a stepped stack of something flat, as a rig file."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from ...simulator.rig import load_rig
from ..request import RequestError, new_path, request, whole_file
from .options import number


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser(
        "calibrate-lens",
        help="measure a lens from a stepped stack of something flat",
        description="Photograph something flat and detailed in regular steps through the focus: "
        "see --how. Contrast through focus tells the working f-number, the pitch on the subject or "
        "the step, curvature of field and colour, each with an interval.",
    )
    parser.set_defaults(run=run)
    parser.add_argument(
        "frames", metavar="FRAMES", nargs="?", help="folder of JPEG, PNG or TIFF, or a stack"
    )
    parser.add_argument("--how", action="store_true", help="tell how to shoot the stack, and stop")
    parser.add_argument("--out", metavar="RIG.toml", help="rig to make")
    parser.add_argument("--figure", metavar="FILE.png", help="figure to make of curves and field")
    parser.add_argument(
        "--rig",
        help="rig that it was taken with, by name or .toml file: its sensor, its wavelengths and "
        "what is not measured (default: the frames show the whole sensor)",
    )
    for option, unit, what in (
        ("--step", "MM", "step of the rail (default: as frames.json tells)"),
        ("--magnification", "M", "if it is known; without --step, the step is measured then"),
        ("--pitch", "UM", "size of the frames' pixels on the sensor (default: as frames.json)"),
        ("--focal-length", "MM", "marked focal length"),
        ("--pupil-ratio", "P", "exit over entrance pupil, if it is known"),
    ):
        parser.add_argument(option, type=number(above=0), metavar=unit, help=what)
    parser.add_argument("--json", action="store_true", help="print all numbers as JSON")


def run(args: argparse.Namespace) -> int:
    """Measure, print, and write rig and figure if asked for."""
    if args.how:
        from ..calibrate.lens.lens_how import LENS_HOW  # noqa: PLC0415 - slow to load

        print(LENS_HOW)
        return 0
    from ..calibrate.lens.lens_file import (  # noqa: PLC0415 - slow to load
        lens_record,
        lens_summary,
        rig_text,
    )
    from ..calibrate.lens.measure import calibrate_lens  # noqa: PLC0415 - slow to load
    from ..calibrate.lens.shots import read_shots  # noqa: PLC0415 - slow to load

    with request():
        if args.frames is None:
            raise RequestError("a calibration needs FRAMES; --how tells how to shoot them")
        out, picture = _path(args.out, ".toml", "--out"), _path(args.figure, ".png", "--figure")
        start = None if args.rig is None else load_rig(args.rig)
        shots = read_shots(
            args.frames,
            step_mm=args.step,
            magnification=args.magnification,
            pitch_um=args.pitch,
            focal_length_mm=args.focal_length,
            pupil_ratio=args.pupil_ratio,
        )
    found = calibrate_lens(shots, start=start)
    if out is not None:
        with whole_file(out) as draft:
            draft.write_text(rig_text(found), encoding="utf-8")
    if picture is not None:
        from ..calibrate.lens.figure import lens_figure  # noqa: PLC0415 - slow to load

        with whole_file(picture) as draft:
            lens_figure(found).savefig(draft, dpi=120)
    text = json.dumps(lens_record(found), indent=1, allow_nan=False)
    print(text if args.json else lens_summary(found))
    return 0


def _path(path: str | None, ending: str, option: str) -> Path | None:
    if path is None:
        return None
    if Path(path).suffix != ending:
        raise RequestError(f"{option} is the {ending} file to make, got {path!r}")
    return new_path(path)
