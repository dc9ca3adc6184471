"""``check-stack``: whether a stack folder is as it was written."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from ...simulator.stack.stackio import check_stack, read_stack
from ..request import request


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser("check-stack", help="look for damage in a stack")
    parser.set_defaults(run=run)
    parser.add_argument("stack", type=Path, metavar="STACK", help="folder of a stack")


def run(args: argparse.Namespace) -> int:
    """Print every problem, one a line; say on stderr how many."""
    with request():
        problems = check_stack(args.stack)
    if not problems:
        stack = read_stack(args.stack, verify=False)
        files, frames = len(stack.manifest.files) + 1, stack.shoot.frames
        print(f"{args.stack}: sound, {files} files, {frames} frame{'s' * (frames != 1)}")
        if (drawn := stack.shoot.scene.drawn) is not None:
            print(f"scene {stack.shoot.scene.name}: {drawn}")
        return 0
    print("\n".join(problems))
    what = "problem" if len(problems) == 1 else "problems"
    print(f"stacktruth check-stack: {args.stack} has {len(problems)} {what}", file=sys.stderr)
    return 1
