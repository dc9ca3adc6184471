"""Options that several commands share, and how their values are read."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Callable
from math import isfinite


def size(text: str) -> tuple[int, int]:
    """Read ``WIDTHxHEIGHT``, pixels."""
    found = re.fullmatch(r"(\d+)x(\d+)", text)
    if not found:
        raise argparse.ArgumentTypeError(
            f"got {text!r}, allowed WIDTHxHEIGHT in pixels, such as 768x512"
        )
    return int(found[1]), int(found[2])


def whole(least: int) -> Callable[[str], int]:
    """Return a reader of whole numbers from `least` upward."""

    def read(text: str) -> int:
        if not re.fullmatch(r"[+-]?\d+", text) or int(text) < least:
            raise argparse.ArgumentTypeError(
                f"got {text!r}, allowed a whole number of {least} or more"
            )
        return int(text)

    return read


def number(*, above: float | None = None) -> Callable[[str], float]:
    """Return a reader of finite numbers, greater than `above`."""

    def read(text: str) -> float:
        rule = "a number" if above is None else f"a number above {above:g}"
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not isfinite(value) or (above is not None and value <= above):
            raise argparse.ArgumentTypeError(f"got {text!r}, allowed {rule}")
        return value

    return read


def add_picture_options(parser: argparse.ArgumentParser) -> None:
    """Add ``--rig``, ``--crop`` and ``--bin``."""
    parser.add_argument("--rig", help="rig, by name or .toml file (default: the scene's own)")
    parser.add_argument(
        "--crop", type=size, metavar="WxH", help="middle part of the sensor, in its own pixels"
    )
    parser.add_argument("--bin", type=whole(1), metavar="K", help="merge K x K pixels into one")


def add_progress_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--progress`` and ``--no-progress``."""
    parser.add_argument(
        "--progress",
        action=argparse.BooleanOptionalAction,
        help="progress bar on stderr (default: only on a terminal)",
    )


def shows_progress(args: argparse.Namespace) -> bool:
    """Say whether a progress bar is wanted."""
    return sys.stderr.isatty() if args.progress is None else bool(args.progress)
