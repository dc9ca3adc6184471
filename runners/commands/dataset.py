"""``dataset``: many stacks with their truth, split by scene, indexed and described."""

from __future__ import annotations

import argparse
from typing import Any

from ...simulator.compositing.levels import DEFAULT, LEVELS
from ...simulator.processes import usable_cores
from ...simulator.stack.frameio import FORMATS
from ..dataset.cluster import on_cluster
from ..dataset.make import make_dataset
from ..dataset.plan import DatasetPlan, sources_of
from ..request import RequestError, request
from .bench import shard
from .options import (
    add_device_option,
    add_progress_option,
    add_workers_option,
    crop,
    number,
    shows_progress,
    whole,
)

_ABOUT = (
    "Makes a folder of stacks with an index of stacks and frames (CSV, JSON lines), a description "
    "for programs (Croissant), checksums and a licence (CC0). Of every ten successive seeds of a "
    "family, eight are for training, one for validation, one for test; the passes of a fixed scene "
    "are all in one split. The same command goes on with what was interrupted; a larger --count "
    "adds stacks and changes none."
)
#: What may be given more than once, with what it is.
_SEVERAL = {
    "rig": "lens and sensor",
    "stance": "how the camera is held",
    "light": "flash, ambient light and cadence",
    "subject": "how the living parts move",
}


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser(
        "dataset", help="make many stacks to train, validate and test on", description=_ABOUT
    )
    parser.set_defaults(run=run)
    parser.add_argument(
        "sources",
        nargs="+",
        metavar="SUITE_OR_FAMILY",
        help="one suite, or families, by name or .toml file; families: all that are shipped",
    )
    parser.add_argument("--count", required=True, type=whole(1), metavar="N", help="stacks")
    parser.add_argument(
        "--out", required=True, metavar="DIR", help="folder to make, or to go on with"
    )
    parser.add_argument(
        "--first-seed",
        type=whole(0),
        default=0,
        metavar="N",
        help="of the first scene of each family; the next ones follow (default: 0)",
    )
    parser.add_argument(
        "--seed",
        type=whole(0),
        default=0,
        metavar="N",
        help="of hands, light and noise (default: 0)",
    )
    for option, what in _SEVERAL.items():
        parser.add_argument(
            f"--{option}",
            action="append",
            default=[],
            help=f"{what}, by name or .toml file; may be repeated: one is drawn for each scene of "
            "a family, a suite is shot with all",
        )
    _add_picture_options(parser)
    add_workers_option(parser, default=None)
    add_device_option(parser)
    _add_machine_options(parser)
    add_progress_option(parser)


def _add_picture_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--frames",
        type=whole(1),
        metavar="N",
        help="so many, spread evenly over the pass (default: what it needs, or the suite says)",
    )
    parser.add_argument(
        "--crop",
        type=crop,
        metavar="WxH[+X+Y]",
        help="part of the sensor, in its own pixels (default: all of it, or the suite's)",
    )
    parser.add_argument("--bin", type=whole(1), metavar="K", help="merge K x K pixels into one")
    parser.add_argument(
        "--iso",
        type=number(above=0),
        default=100.0,
        metavar="N",
        help="of the sensor (default: 100)",
    )
    parser.add_argument(
        "--quality",
        choices=list(LEVELS),
        help=f"as for render (default: {DEFAULT}, or the suite's)",
    )
    parser.add_argument(
        "--format",
        choices=list(FORMATS),
        default="tiff16",
        help="of the frames, as for render; float32 is linear light (default: tiff16)",
    )
    parser.add_argument(
        "--layout",
        choices=["folders", "npz"],
        default="folders",
        help="a stack folder for each stack, or one uncompressed .npz file (default: folders)",
    )


def _add_machine_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--cluster",
        metavar="ADDRESS",
        help="use the workers of a dask scheduler, such as tcp://10.0.0.1:8786; all of them must "
        "see DIR, and files of your own, under the same paths (a shared folder)",
    )
    parser.add_argument(
        "--shard",
        type=shard,
        default=(1, 1),
        metavar="I/N",
        help="only the I-th of N parts, for several machines on one folder; the last one to end "
        "writes the tables",
    )


def run(args: argparse.Namespace) -> int:
    """Make the data set, or go on with it."""
    if args.cluster is not None and args.workers is not None:
        raise RequestError("--workers and --cluster: got both, allowed one of them")
    with request():
        several = {f"{name}s": tuple(getattr(args, name)) for name in _SEVERAL}
        named: dict[str, Any] = {**sources_of(args.sources), **several}
        plan = DatasetPlan(
            **named,
            count=args.count,
            first_seed=args.first_seed,
            seed=args.seed,
            frames=args.frames,
            crop=args.crop,
            bin=args.bin,
            iso=args.iso,
            quality=args.quality,
            format=args.format,
            layout=args.layout,
        )
    how: dict[str, Any] = {
        "shard": args.shard,
        "progress": shows_progress(args),
        "device": args.device,
    }
    if args.cluster is None:
        told = make_dataset(plan, args.out, workers=args.workers or usable_cores(), **how)
    else:
        with on_cluster(args.cluster) as work:
            told = make_dataset(plan, args.out, work=work, **how)
    print(told)
    return 0
