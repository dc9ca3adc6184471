"""The reference of family files, and the families that are shipped with what they draw."""

from __future__ import annotations

import csv
from pathlib import Path
from statistics import median

from stacktruth.runners.demo.natural import COLUMNS
from stacktruth.simulator.data import list_data_files
from stacktruth.simulator.family.expressions import FUNCTIONS
from stacktruth.simulator.family.family import load_family
from stacktruth.simulator.family.forms import FORMS

from . import words

_MADE = Path(__file__).resolve().parents[2] / "results" / "families"


def language() -> str:
    """Return the forms of the language, and what an expression may hold."""
    rows = [
        [f"`{name}`", words.cell(form.about), f"`{form.example}`"] for name, form in FORMS.items()
    ]
    named = ", ".join(f"`{name}`" for name in FUNCTIONS)
    return "\n".join(
        [
            "## Forms\n",
            words.table(["form", "gives", "example"], rows),
            "## Functions in expressions\n",
            f"{named}; angles are degrees.\n",
        ]
    )


def shipped() -> str:
    """Return each shipped family: what it is, and the picture and figures of its draws."""
    found = _figures()
    text = []
    for name in list_data_files("family"):
        family = load_family(name)
        text += [f"### {name}\n", f"{family.title}. {family.about}\n"]
        if (_MADE / f"{name}.jpg").is_file():
            text.append(f"![draws of {name}](../../results/families/{name}.jpg)\n")
        if (_MADE / f"{name}-close.jpg").is_file():
            link = f"../../results/families/{name}-close.jpg"
            text.append(f"![draws of {name} at real pixels]({link})\n")
    if found:
        text += ["## What is measured\n", _table(found)]
        text += [f"- *{name}*: {about}" for name, about in COLUMNS.items()]
        text.append("- *apart*: least of 1 less the correlation of two draws, at 24 x 16 pixels\n")
    return "\n".join(text)


def _figures() -> dict[str, list[dict[str, float]]]:
    """Return the published figures of draws by family."""
    if not (_MADE / "draws.csv").is_file():
        return {}
    out: dict[str, list[dict[str, float]]] = {}
    with (_MADE / "draws.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            figures = {key: float(row[key]) for key in (*COLUMNS, "apart")}
            out.setdefault(row["family"], []).append(figures)
    return out


def _table(found: dict[str, list[dict[str, float]]]) -> str:
    rows = [
        [
            name,
            *(f"{median(one[key] for one in draws):.3g}" for key in COLUMNS),
            f"{min(one['apart'] for one in draws):.2f}",
        ]
        for name, draws in found.items()
    ]
    return words.table(["family", *COLUMNS, "apart"], rows)
