"""The folder that a plan leaves: a page to read, a card to print, and the numbers."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matplotlib.figure import Figure

from ..csv_text import write_rows
from ..figures import plain_text
from ..html_page import filled
from ..request import whole_folder
from .advise.advice import Plan
from .show.card import field_card
from .show.patch import step_caption, step_figure
from .show.plots import coverage_figure, lanes_figure
from .show.record import plan_record
from .show.tiles import tiles
from .show.words import CAUTIONS, SAFETY, plan_text, sentences, tables, title

if TYPE_CHECKING:
    from .study.study import Study

#: Dots per inch of the pictures.
_DPI = 130
#: The page that shows one try of the plan.
TRY = "try.html"
#: Figures with their captions, by file name.
Pictures = Mapping[str, tuple[Figure, str]]


@plain_text()
def write_plan(plan: Plan, folder: str | Path, *, study: Study | None = None) -> Path:
    """Write page, pictures, card and numbers of a plan into a new folder.

    Parameters
    ----------
    plan : Plan
    folder : path
        Must not exist; it appears complete or not at all.
    study : Study or None
        The rendered study of the plan, for the page and for a table of its own.

    Returns
    -------
    Path
        The folder, with ``index.html``, ``card.pdf``, ``card.png``, ``plan.json`` and
        ``plan.txt``, and the pictures of the page; ``study.csv`` has a row for each stack of a
        study, ``try.html`` shows one try of the plan.

    Raises
    ------
    RequestError
        Something came to stand at the folder's place meanwhile; it was left alone.
    """
    with whole_folder(Path(folder)) as place:
        card = field_card(plan)
        card.savefig(place / "card.png", dpi=_DPI)
        card.savefig(place / "card.pdf")
        captions = _write_pictures(_pictures(plan), place)
        section = None if study is None or study.rows.empty else _write_study(study, place)
        if study is not None and study.try_page:
            (place / TRY).write_text(study.try_page + "\n", encoding="utf-8")
        record = plan_record(plan)
        (place / "plan.json").write_text(json.dumps(record, indent=1, allow_nan=False) + "\n")
        (place / "plan.txt").write_text(plan_text(plan) + "\n", encoding="utf-8")
        shown = TRY if study is not None and study.try_page else ""
        page = page_of(plan, captions=captions, study=section, shown=shown)
        (place / "index.html").write_text(page + "\n", encoding="utf-8")
    return Path(folder)


def page_of(
    plan: Plan,
    *,
    captions: Mapping[str, str],
    study: Mapping[str, Any] | None = None,
    shown: str = "",
) -> str:
    """Return the page of a plan as HTML.

    Parameters
    ----------
    plan : Plan
    captions : mapping of str to str
        Of the pictures, by file name.
    study : mapping or None
        What the page says of a rendered study.
    shown : str
        File of the page that shows one try; empty if there is none.
    """
    return filled(
        Path(__file__).with_name("plan.html"),
        title=title(plan),
        verdict=plan.verdict.replace(" ", "-"),
        sentences=sentences(plan),
        tiles=tiles(plan),
        safety=SAFETY,
        captions=captions,
        study=study,
        shown=shown,
        tables=tables(plan),
        cautions=CAUTIONS,
    )


def _pictures(plan: Plan) -> Pictures:
    """Return the figures of the page with their captions, by file name."""
    pictures = {
        "lanes.png": (lanes_figure(plan), "Which frame holds which depth, in a typical try."),
        "coverage.png": (coverage_figure(plan), "Chance and share over the frames in all."),
    }
    if plan.advised.step_mm > 0:  # who holds still goes in no steps
        pictures["step.png"] = (step_figure(plan), step_caption())
    return pictures


def _write_pictures(pictures: Pictures, place: Path) -> dict[str, str]:
    """Write figures as PNG files, and return their captions by file name."""
    for name, (figure, _) in pictures.items():
        figure.savefig(place / name, dpi=_DPI)
    return {name: caption for name, (_, caption) in pictures.items()}


def _write_study(study: Study, place: Path) -> dict[str, Any]:
    """Write rows and pictures of a study, and return what the page says of it."""
    from .study.report import (  # noqa: PLC0415 - what merges is slow to load
        study_pictures,
        study_table,
        study_title,
        study_words,
        summary,
    )

    write_rows(place / "study.csv", study.rows)
    found = summary(study.rows)
    return {
        "title": study_title(study),
        "sentences": study_words(found),
        "captions": _write_pictures(study_pictures(study, found), place),
        "table": study_table(found),
    }
