"""``export``: geometry and colours of a scene, so that any renderer can check ours."""

from __future__ import annotations

import argparse
from typing import Any

from ...simulator import load_rig, load_scene
from ...simulator.export.export import export_scene
from ...simulator.view.camera import Camera
from ..request import RequestError, new_path, request, whole_file
from .options import add_picture_options, number

_ENDINGS = (".obj", ".ply")


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser("export", help="write a scene's geometry and colours")
    parser.set_defaults(run=run)
    parser.add_argument("scene", metavar="SCENE", help="scene, by name, .toml file or FAMILY:SEED")
    parser.add_argument("--to", required=True, metavar="FILE", help="file to make, .obj or .ply")
    add_picture_options(parser)
    parser.add_argument(
        "--pitch",
        type=number(above=0),
        metavar="MM",
        help="distance between corners on a sheet (default: half a pixel on the subject)",
    )


def run(args: argparse.Namespace) -> int:
    """Write the file."""
    with request():
        path = new_path(args.to)
        if path.suffix not in _ENDINGS:
            raise RequestError(f"{path}: got ending {path.suffix!r}, allowed .obj or .ply")
        scene = load_scene(args.scene)
        rig = load_rig(args.rig or scene.rig)
        Camera(rig, crop=args.crop, bin=args.bin or 1)  # refuses a wrong crop or bin
    with whole_file(path) as draft:
        mesh = export_scene(
            scene, draft, rig=rig, crop=args.crop, bin=args.bin, pitch_mm=args.pitch
        )
    print(f"{path}: {len(mesh.points_mm)} corners, {len(mesh.faces)} triangles")
    return 0
