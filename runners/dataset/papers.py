"""What goes with a data set for people: how it was made, how it is read, its licence."""

from __future__ import annotations

import shlex
from collections.abc import Sequence

from .index import StackFacts
from .plan import DatasetPlan, options_of, without_places
from .splits import SPLITS

LICENCE_URL = "https://creativecommons.org/publicdomain/zero/1.0/"
README, LICENCE, SUMS = "README.txt", "LICENSE.txt", "SHA256SUMS"

_LICENCE = f"""SPDX-License-Identifier: CC0-1.0

Whoever made this data set waives all rights in its pictures, tables and texts, as far as the law
allows: CC0 1.0 Universal, {LICENCE_URL}
Nothing in it was photographed: a program computed all of it. The two photographs that some
surfaces are painted with, of grass and of gravel, are CC0 as well.
"""
_OWN = """
Some of it was drawn from files that do not come with the program ({names}).
This statement holds for them as far as whoever made the data set may give them away.
"""
_HOW_READ = {
    "folders": """stacks/NAME/ holds the frames, what the camera wrote, and the truth, as TIFF, JSON
and CSV; stack.json in it says how it was made.""",
    "npz": """stacks/NAME.npz holds arrays; numpy.load("stacks/NAME.npz")["frames"] are the frames,
(frames, rows, cols, 3); ideal, achievable, depth_mm and the like the truth; records one row a
frame; what ends in _json are texts in UTF-8.""",
}
_README = """{title}

Made by:
    {command}

stacks.csv, frames.csv: one row for each stack, each frame; stacks.jsonl, frames.jsonl: the same as
JSON lines (a number that does not exist is null).
{layout}
Frames are {format}. Depths and places are mm, z away from the camera; truth is in the view of the
frame that is called the reference.

Splits: {splits}.
The split is told by the scene alone: no scene is in two of them, and each stays where it is in
every data set of the same program.

croissant.json: the same for programs (Croissant 1.0). LICENSE.txt: CC0.
SHA256SUMS: sha256sum --check SHA256SUMS. It leaves out what says by which versions and when it was
made (dataset.json, croissant.json, stack.json), so that it is equal wherever the same was made.
"""


def command_of(plan: DatasetPlan) -> str:
    """Return the command line that makes a data set."""
    return shlex.join(["stacktruth", "dataset", *options_of(without_places(plan))]) + " --out DIR"


def title_of(plan: DatasetPlan, facts: Sequence[StackFacts]) -> str:
    """Return what a data set is, in a line."""
    frames = sum(len(one.frames) for one in facts)
    bare = without_places(plan)
    of = f"the suite {bare.suite}" if bare.suite else _number(len(bare.families), "family")
    return f"{_number(len(facts), 'macro focus stack')} of {of}, {frames} frames, with their truth"


def counted(facts: Sequence[StackFacts]) -> str:
    """Return how many stacks and scenes each split has."""
    told = []
    for split in SPLITS:
        of = [one.row["scene"] for one in facts if one.row["split"] == split]
        told.append(f"{split} {len(of)}" + (f" ({_number(len(set(of)), 'scene')})" if of else ""))
    return ", ".join(told)


def _number(count: int, thing: str) -> str:
    many = f"{thing[:-1]}ies" if thing.endswith("y") else f"{thing}s"
    return f"{count} {thing if count == 1 else many}"


def papers(plan: DatasetPlan, facts: Sequence[StackFacts]) -> dict[str, str]:
    """Return the texts for people by the name of their file."""
    bare = without_places(plan)
    named = [bare.suite or "", *bare.families, *bare.rigs]
    own = [name for name in named if name.endswith(".toml")]
    readme = _README.format(
        title=title_of(plan, facts),
        command=command_of(plan),
        layout=_HOW_READ[plan.layout],
        format=plan.format,
        splits=counted(facts),
    )
    licence = _LICENCE + (_OWN.format(names=", ".join(own)) if own else "")
    return {README: readme, LICENCE: licence}
