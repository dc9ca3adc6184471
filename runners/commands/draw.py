"""``draw``: a scene of a family, written as an ordinary scene file."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from ...simulator.family.family import load_family
from ...simulator.loading.scenes import drawn_text
from ...simulator.scene.scene import scene_of_text
from ..request import new_path, request, whole_file
from .options import whole


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser(
        "draw",
        help="draw a scene of a family",
        description="Writes the scene that FAMILY:N means, to be read, edited and compared. "
        "The same family and seed give the same bytes.",
    )
    parser.set_defaults(run=run)
    parser.add_argument("family", metavar="FAMILY", help="family, by name or .toml file")
    parser.add_argument(
        "--seed", type=whole(0), default=0, metavar="N", help="which scene of it (default: 0)"
    )
    parser.add_argument("--out", required=True, metavar="FILE.toml", help="scene file to make")


def run(args: argparse.Namespace) -> int:
    """Write the scene."""
    with request():
        path = new_path(args.out)
        family = load_family(args.family)
        text = drawn_text(family, seed=args.seed)
        # Refuses what is no scene, or names files that are not beside it.
        where = f"{family.path}:{args.seed}"
        scene = scene_of_text(text, where=where, folder=Path(path).resolve().parent)
    with whole_file(path) as draft:
        draft.write_text(text, encoding="utf-8")
    surfaces = len(scene.surface)
    print(f"{path}: {scene.name}, {surfaces} surface{'s' * (surfaces != 1)}, for {scene.rig}")
    return 0
