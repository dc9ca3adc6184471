"""``gallery``: one picture of the scenes, all in focus and as one frame shows them."""

from __future__ import annotations

import argparse
from typing import Any

from ...simulator import load_scene
from ...simulator.data import list_data_files
from ..demo.gallery import gallery
from ..request import new_path, request, whole_file
from .options import add_progress_option, add_workers_option, shows_progress


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser("gallery", help="draw the scenes to one picture")
    parser.set_defaults(run=run)
    parser.add_argument(
        "scene", nargs="*", metavar="SCENE", help="scenes, by name or .toml file (default: all)"
    )
    parser.add_argument("--out", required=True, metavar="FILE.png", help="picture to make")
    add_workers_option(parser)
    add_progress_option(parser)


def run(args: argparse.Namespace) -> int:
    """Draw the picture."""
    names = args.scene or list_data_files("scene")
    with request():
        path = new_path(args.out)
        for name in names:
            load_scene(name)
    with whole_file(path) as draft:
        gallery(names, draft, workers=args.workers, progress=shows_progress(args))
    print(path)
    return 0
