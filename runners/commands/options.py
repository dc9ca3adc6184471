"""Options that several commands share, and how their values are read."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Callable
from math import isfinite
from typing import TYPE_CHECKING

from ...ground.arrays import DEVICES
from ...ground.spelling import nearest
from ...simulator.processes import usable_cores
from ..request import RequestError

if TYPE_CHECKING:
    from ...simulator.view.camera import Crop
    from ..plan import Use

#: What a picture may be for, as ``--for`` has it.
USES = ("screen", "print", "crop100")


def crop(text: str) -> Crop:
    """Read ``WIDTHxHEIGHT`` or ``WIDTHxHEIGHT+LEFT+TOP``, pixels."""
    found = re.fullmatch(r"(\d+)x(\d+)(?:\+(\d+)\+(\d+))?", text)
    if not found:
        raise argparse.ArgumentTypeError(
            f"got {text!r}, allowed WIDTHxHEIGHT or WIDTHxHEIGHT+LEFT+TOP in pixels, such as "
            "768x512 or 768x512+1200+800"
        )
    width, height, left, top = (int(edge or 0) for edge in found.groups())
    return (width, height) if found[3] is None else (width, height, left, top)


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
        "--crop",
        type=crop,
        metavar="WxH[+X+Y]",
        help="part of the sensor, in its own pixels: about its middle, or X from its left and Y "
        "from its upper edge",
    )
    parser.add_argument("--bin", type=whole(1), metavar="K", help="merge K x K pixels into one")


def add_use_option(parser: argparse._ActionsContainer) -> None:
    """Add ``--for``; `use_of` reads it."""
    parser.add_argument(
        "--for",
        dest="use",
        nargs="+",
        metavar=("USE", "WIDTH_CM"),
        help="what the picture is for: screen, print WIDTH_CM, or crop100 (every pixel is to be "
        "seen); sets the circle of confusion by the sensor's width",
    )


def use_of(words: list[str] | None) -> tuple[Use, float | None]:
    """Read what the picture is for: ``screen`` (the default), ``print WIDTH_CM`` or ``crop100``."""
    match words or ["screen"]:
        case ["screen"]:
            return "screen", None
        case ["crop100"]:
            return "crop100", None
        case ["print", width]:
            try:
                return "print", number(above=0)(width)
            except argparse.ArgumentTypeError as error:
                raise RequestError(f"--for print: {error}") from None
    raise RequestError(
        f"--for: got {' '.join(words or [])!r}{nearest((words or [''])[0], USES)}, "
        "allowed screen, print WIDTH_CM, or crop100"
    )


def workers(text: str) -> int:
    """Read a number of processes, or ``auto`` for as many as there are cores to use."""
    if text == "auto":
        return usable_cores()
    try:
        return whole(1)(text)
    except argparse.ArgumentTypeError as error:
        raise argparse.ArgumentTypeError(
            f"got {text!r}, allowed auto or a whole number of 1 or more"
        ) from error


def add_workers_option(
    parser: argparse._ActionsContainer,
    *,
    default: str | None = "auto",
    about: str = "default: auto, all cores",
) -> None:
    """Add ``--workers``, the same for every command that shares out its work.

    Parameters
    ----------
    parser : ArgumentParser or a group of one
    default : str or None
        As given on the command line; None where a command must know whether it was given.
    about : str
        Of the default, and what more processes cost.
    """
    parser.add_argument(
        "--workers", type=workers, default=default, metavar="N", help=f"processes ({about})"
    )


def add_device_option(parser: argparse._ActionsContainer) -> None:
    """Add ``--device``, the same for every command that draws pictures."""
    parser.add_argument(
        "--device",
        choices=list(DEVICES),
        default="cpu",
        help="what pictures are drawn on; cuda: an NVIDIA GPU with CuPy, which the processes share "
        "(default: cpu)",
    )


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
