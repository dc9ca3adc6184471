"""Pictures that were merged elsewhere, scored as a method's result."""

from __future__ import annotations

from pathlib import Path

from ..contract import InvalidOutput, Outcome
from ..isolate.external import result_from_files
from .scoring import Judge, Scored


def score_files(
    judge: Judge,
    image: Path,
    depth: Path | None = None,
    *,
    name: str,
    depth_unit: str = "frame",
    reference: int | None = None,
) -> Scored:
    """Score a finished picture, and perhaps its depth map; a bad file is an invalid output.

    Parameters
    ----------
    judge : Judge
    image, depth : Path
        Of any size and crop, both alike.
    name : str
        In the table.
    depth_unit : {"frame", "mm"}
    reference : int or None
        Frame in whose view the picture is; None: looked for among all frames.
    """
    try:
        read = result_from_files(image, depth, depth_unit=depth_unit)
        count = judge.shoot.frames
        if reference is not None and not 0 <= reference < count:
            raise InvalidOutput(f"reference: got frame {reference}, allowed 0..{count - 1}")
    except (InvalidOutput, ValueError) as error:
        reason = " ".join(str(error).split())
        return judge.score(Outcome(status="invalid-output", reason=reason), name=name)
    views = None if reference is None else (reference,)
    return judge.score_anywhere(Outcome(status="ok", result=read), name=name, views=views)
