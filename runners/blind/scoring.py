"""Scores a submission to a blind set, with the maker's key."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..contract import Outcome, Result
from ..judge.scoring import Judge
from ..request import RequestError
from .dataset import BlindStack, blind_stacks, read_index
from .key import BlindKey
from .submission import examine, label_of

# A rendering rounds to codes of 16 bits; on another processor one may fall to the other side.
_CODES_APART = 2
# What would give the key's numbers away, should the table be published.
_SECRET_COLUMNS = ("seed",)


@dataclass(frozen=True, kw_only=True, eq=False)
class BlindScore:
    """What came of one stack of a submission, or of a file that belongs to none.

    Parameters
    ----------
    name : str
        Of the stack, or of the file.
    problem : str
        What is wrong with it, in a sentence; empty where it is sound.
    row : dict or None
        Its scores; None for a file.
    """

    name: str
    problem: str = ""
    row: dict[str, Any] | None = None


def score_submission(folder: Path, submission: Path, key: BlindKey) -> Iterator[BlindScore]:
    """Score what is sound in a submission, and say what is wrong with the rest.

    Parameters
    ----------
    folder : Path
        Of the blind set.
    submission : Path
        A folder of finished pictures.
    key : BlindKey

    Raises
    ------
    RequestError
        No such folder, another key, or code that makes other frames than those handed out.
    """
    stacks = {name: (spec, stack) for name, spec, stack in blind_stacks(folder, key)}
    label = label_of(submission)
    for name, found in examine(read_index(folder), submission):
        problem = found if isinstance(found, str) else ""
        if name not in stacks:
            yield BlindScore(name=name, problem=problem)
            continue
        spec, stack = stacks[name]
        place = {
            "stack": name,
            "condition": spec.condition,
            "severity": spec.severity,
            "value": spec.value,
        }
        row = {**place, **_row(stack, found, label)}
        yield BlindScore(name=name, problem=problem, row=row)


def _row(stack: BlindStack, found: Result | str, label: str) -> dict[str, Any]:
    if isinstance(found, str):
        outcome = Outcome(status="invalid-output", reason=found)
    else:
        refuse_other_frames(stack)
        outcome = Outcome(status="ok", result=found)
    row = Judge(stack).score(outcome, name=label).row
    return {name: value for name, value in row.items() if name not in _SECRET_COLUMNS}


def refuse_other_frames(stack: BlindStack) -> None:
    """See that this code still makes the reference frame that was handed out.

    Raises
    ------
    RequestError
        The frame is missing, or another one.
    """
    number = stack.info["reference"]
    try:
        given = stack.frames[number]
    except (OSError, ValueError) as error:
        raise RequestError(f"{stack.folder}: a frame cannot be read: {error}") from error
    made = stack.shoot.frame(number).image
    apart = np.abs(made.astype(int) - given) if made.shape == given.shape else np.inf
    if np.max(apart) > _CODES_APART:
        raise RequestError(
            f"{stack.folder}: frame {number} is not the one that the key and this code make; "
            "score with the version that made the set"
        )
