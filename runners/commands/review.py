"""``review``: after the shoot, which depths a burst missed and which frames to keep."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from typing import Any

from ...simulator.rig import load_rig
from ..plan import sharpness_for
from ..request import new_path, request
from .options import add_use_option, number, use_of


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser(
        "review",
        help="tell which depths a burst missed, and which frames to keep",
        description="Finds where the frames of a burst lie in depth, which parts of the picture "
        "are sharp in none, and the few frames that lose nothing. An estimate: where a picture "
        "has too little texture, or moves, it says that it cannot tell.",
    )
    parser.set_defaults(run=run)
    parser.add_argument(
        "burst", metavar="BURST", help="folder of JPEG, PNG or TIFF, or a stack; one subject"
    )
    parser.add_argument(
        "--rig", required=True, help="rig that it was taken with, by name or .toml file"
    )
    add_use_option(parser)
    parser.add_argument(
        "--f-number", type=number(above=0), metavar="N", help="as marked, if not the rig's"
    )
    parser.add_argument(
        "--pitch",
        type=number(above=0),
        metavar="UM",
        help="size of the frames' pixels on the sensor (default: the whole sensor is shown)",
    )
    parser.add_argument("--out", metavar="DIR", help="folder to make: page and tables")
    parser.add_argument("--json", action="store_true", help="print all numbers as JSON")


def run(args: argparse.Namespace) -> int:
    """Review, print, and write the folder if one is asked for."""
    from ..calibrate import read_burst  # noqa: PLC0415 - slow to load
    from ..review.record import review_record  # noqa: PLC0415
    from ..review.review import FEWEST, review_burst  # noqa: PLC0415
    from ..review.words import review_text  # noqa: PLC0415

    with request():
        out = None if args.out is None else new_path(args.out)
        rig = load_rig(args.rig)
        if args.f_number is not None:
            rig = replace(rig, lens=replace(rig.lens, f_number=args.f_number))
        use, width_cm = use_of(args.use)
        sharp = sharpness_for(use, rig.sensor, width_cm=width_cm)
        burst = read_burst(args.burst, rig, pitch_um=args.pitch, fewest=FEWEST, timed=False)
    review = review_burst(burst, rig, blur_um=sharp.blur_px * rig.sensor.pitch_um)
    print(
        json.dumps(review_record(review), indent=1, allow_nan=False)
        if args.json
        else review_text(review),
        flush=True,
    )
    if out is not None:
        from ..review.page import write_review  # noqa: PLC0415 - what draws is slow to load

        write_review(review, burst, out)
    return 0
