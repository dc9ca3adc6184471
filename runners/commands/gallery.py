"""``gallery``: one picture of the scenes, all in focus and as one frame shows them."""

from __future__ import annotations

import argparse
from typing import Any

from ...ground.arrays import checked_device
from ...simulator import load_scene
from ...simulator.data import list_data_files
from ..demo.gallery import gallery
from ..request import RequestError, new_path, request, whole_file
from .options import (
    add_device_option,
    add_progress_option,
    add_workers_option,
    shows_progress,
    whole,
)


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser("gallery", help="draw the scenes to one picture")
    parser.set_defaults(run=run)
    parser.add_argument(
        "scene",
        nargs="*",
        metavar="SCENE",
        help="scenes, by name, .toml file or FAMILY:SEED (default: all that are shipped)",
    )
    parser.add_argument(
        "--families",
        nargs="*",
        metavar="FAMILY",
        help="draws of these families instead (default: of all)",
    )
    parser.add_argument(
        "--draws", type=whole(1), default=8, metavar="N", help="of each family (default: 8)"
    )
    parser.add_argument("--out", required=True, metavar="FILE.png", help="picture to make")
    add_workers_option(parser)
    add_device_option(parser)
    add_progress_option(parser)


def run(args: argparse.Namespace) -> int:
    """Draw the picture."""
    with request():
        names = _names(args)
        path, device = new_path(args.out), checked_device(args.device)
        for name in names:
            load_scene(name)
    with whole_file(path) as draft:
        how = {"workers": args.workers, "progress": shows_progress(args)}
        gallery(names, draft, device=device, **how)
    print(path)
    return 0


def _names(args: argparse.Namespace) -> list[str]:
    """Return the scenes that are asked for; of families the draws with the first seeds."""
    if args.families is None:
        return args.scene or list_data_files("scene")
    if args.scene:
        raise RequestError(f"--families: got scenes, too ({args.scene[0]}), allowed one of both")
    families = args.families or list_data_files("family")
    return [f"{family}:{seed}" for family in families for seed in range(1, args.draws + 1)]
