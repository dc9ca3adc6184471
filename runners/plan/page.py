"""The folder that a plan leaves: a page to read, a card to print, and the numbers."""

from __future__ import annotations

import json
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from matplotlib.figure import Figure

from ..request import whole_folder
from .advise.advice import Plan
from .show.card import field_card
from .show.plots import aperture_figure, coverage_figure, lanes_figure
from .show.record import plan_record
from .show.words import CAUTIONS, Table, plan_text, sentences, tables, title

if TYPE_CHECKING:
    from .study.study import Study

_STYLE = """
body { font: 16px/1.45 sans-serif; color: #222; max-width: 48em; margin: 2em auto; padding: 0 1em }
h1 { font-size: 1.5em } h2 { font-size: 1.1em; margin-top: 2em }
img { max-width: 100% }
table { border-collapse: collapse; font-size: 0.92em }
th, td { text-align: left; padding: 0.15em 1em 0.15em 0; border-bottom: 1px solid #ddd }
.note { color: #555; font-size: 0.92em }
.card { float: right; width: 12em; margin: 0 0 1em 1.5em; border: 1px solid #ccc }
"""
_DPI = 130


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
        ``plan.txt``, and the pictures of the page; ``study.csv`` has a row for each stack.
    """
    with whole_folder(Path(folder)) as place:
        card = field_card(plan)
        card.savefig(place / "card.png", dpi=_DPI)
        card.savefig(place / "card.pdf")
        pictures = {
            "lanes.png": (lanes_figure(plan), "Which frame holds which depth, in a typical try."),
            "coverage.png": (coverage_figure(plan), "Chance and share over the frames in all."),
            "f-numbers.png": (aperture_figure(plan), "Frames and detail over the f-number."),
        }
        for name, (figure, _) in pictures.items():
            save(figure, place / name)
        section = "" if study is None else _write_study(study, place)
        record = plan_record(plan)
        (place / "plan.json").write_text(json.dumps(record, indent=1, allow_nan=False) + "\n")
        (place / "plan.txt").write_text(plan_text(plan) + "\n", encoding="utf-8")
        captions = {name: caption for name, (_, caption) in pictures.items()}
        page = _page(plan, captions, section=section)
        (place / "index.html").write_text(page, encoding="utf-8")
    return Path(folder)


def save(figure: Figure, path: Path) -> None:
    """Write a figure as a PNG."""
    figure.savefig(path, dpi=_DPI)


def _write_study(study: Study, place: Path) -> str:
    """Write rows and pictures of a study, and return its part of the page."""
    from .study.report import (  # noqa: PLC0415 - what merges is slow to load
        study_pictures,
        study_table,
        study_title,
        study_words,
        summary,
    )

    study.rows.to_csv(place / "study.csv", index=False)
    found = summary(study.rows)
    pictures = study_pictures(study, found)
    for name, (figure, _) in pictures.items():
        save(figure, place / name)
    return (
        f"<h2>Rendered: {escape(study_title(study))}</h2>\n{_paragraphs(study_words(found))}"
        f"{_pictures({name: caption for name, (_, caption) in pictures.items()})}"
        f"{_table(study_table(found))}"
        '<p class="note">Every stack has its row in <a href="study.csv">study.csv</a>.</p>\n'
    )


def _paragraphs(said: list[str]) -> str:
    return "".join(f"<p>{escape(sentence)}</p>\n" for sentence in said)


def _pictures(captions: dict[str, str]) -> str:
    return "".join(
        f'<h2>{escape(caption)}</h2>\n<img src="{name}" alt="{escape(caption)}">\n'
        for name, caption in captions.items()
    )


def _page(plan: Plan, captions: dict[str, str], *, section: str) -> str:
    said = _paragraphs(list(sentences(plan)))
    shown = _pictures(captions) + section
    cautions = "".join(f"<li>{escape(caution)}</li>\n" for caution in CAUTIONS)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f"<title>{escape(title(plan))}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n"
        '<a href="card.pdf"><img class="card" src="card.png" alt="Field card to print"></a>\n'
        f"<h1>{escape(title(plan))}</h1>\n{said}"
        '<p>The <a href="card.pdf">field card</a> is one page to print.</p>\n'
        f"{shown}{''.join(_table(table) for table in tables(plan))}"
        f"<h2>In the field</h2>\n<ul>\n{cautions}</ul>\n</body>\n</html>\n"
    )


def _table(table: Table) -> str:
    head = "".join(f"<th>{escape(name)}</th>" for name in table.columns)
    rows = "".join(
        "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>\n"
        for row in table.rows
    )
    note = f'<p class="note">{escape(table.note)}</p>\n' if table.note else ""
    return f"<h2>{escape(table.heading)}</h2>\n<table>\n<tr>{head}</tr>\n{rows}</table>\n{note}"
