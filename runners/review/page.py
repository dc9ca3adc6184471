"""The folder that a review leaves: a page to read, and the numbers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from ..calibrate.burst import Burst
from ..csv_text import write_rows
from ..figures import plain_text
from ..html_page import filled
from ..html_pictures import as_png
from ..request import whole_folder
from .gaps import BEFORE, BEHIND, GAP, SHARP, UNTOLD
from .pictures import depths_figure, frames_in_a_row, parts_figure
from .review import Review
from .words import NOTE, frame_rows, frame_table, sentences, title

_STATES = {
    UNTOLD: "cannot tell",
    SHARP: "sharp",
    GAP: "never sharp",
    BEFORE: "before the first",
    BEHIND: "behind the last",
}


@plain_text()
def write_review(review: Review, burst: Burst, folder: str | Path) -> Path:
    """Write page and tables of a review into a new folder.

    Parameters
    ----------
    review : Review
    burst : Burst
        That was reviewed.
    folder : path
        Must not exist; it appears complete or not at all.

    Returns
    -------
    Path
        The folder, with ``index.html``, which holds its pictures, ``frames.csv`` with a row for
        each frame, and ``parts.csv`` with one for each part of the picture.

    Raises
    ------
    RequestError
        Something came to stand at the folder's place meanwhile; it was left alone.
    """
    with whole_folder(Path(folder)) as place:
        write_rows(place / "frames.csv", frame_rows(review))
        write_rows(place / "parts.csv", part_rows(review))
        page = page_of(review, burst)
        (place / "index.html").write_text(page + "\n", encoding="utf-8")
    return Path(folder)


def page_of(review: Review, burst: Burst) -> str:
    """Return the page of a review as HTML, its pictures in it."""
    columns, rows = frame_table(review)
    return filled(
        Path(__file__).with_name("review.html"),
        title=title(review),
        verdict=review.verdict.replace(" ", "-"),
        sentences=sentences(review),
        parts=as_png(parts_figure(review, burst)),
        depths=as_png(depths_figure(review)),
        strip=list(frames_in_a_row(review, burst)),
        columns=columns,
        rows=[(frame.keep, row) for frame, row in zip(review.frames, rows, strict=True)],
        note=NOTE,
        order=review.times_from,
    )


def part_rows(review: Review) -> pd.DataFrame:
    """Return one row for each part of the picture: its place, state, depth and chance."""
    rows, cols = review.grid.cells
    row, col = (place.ravel() for place in np.mgrid[:rows, :cols])
    side = review.grid.side
    return pd.DataFrame(
        {
            "left_px": col * side,
            "top_px": row * side,
            "side_px": side,
            "state": [_STATES[int(one)] for one in review.held.state],
            "depth_mm": review.cell_mm.round(4),
            "chance_never_sharp": review.held.chance_never.round(4),
        }
    )
