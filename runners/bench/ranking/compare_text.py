"""A comparison as text, CSV, JSON and LaTeX."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from ...csv_text import csv_text
from .compare import Comparison
from .standings import pairs_table
from .words import pair_sentence

_TELLING = {
    "level": "",
    "second": "against",
    "scenes": "scenes",
    "advantage": "advantage",
    "low": "95 % from",
    "high": "to",
    "p_holm": "p (Holm)",
    "verdict": "verdict",
}


def as_text(found: Comparison, *, by: str | None = None) -> str:
    """Return a comparison for people: the answer, its parts, where it wins and loses most."""
    metric = found.metric
    better = {"higher": "more is better", "lower": "less is better"}.get(metric.direction, "")
    head = f"{found.method}, by {metric.name} ({metric.title}; {better or 'nearest is better'})"
    blocks = [head, *(pair_sentence(pair) for pair in found.pairs)]
    if by:
        blocks.append(f"by {by}:\n{_table(found.parts, by)}")
    blocks.append(_ends(found))
    return "\n".join(blocks)


def _table(parts: pd.DataFrame, by: str) -> str:
    shown = parts[list(_TELLING)].rename(columns={**_TELLING, "level": by})
    return str(
        shown.to_string(
            index=False,
            float_format=lambda value: f"{value:.3f}",
            na_rep="-",
        )
    )


def _ends(found: Comparison) -> str:
    """Return the cases that are won and lost most."""
    lines = []
    unit = found.metric.unit
    for words, part in (("best", found.best), ("worst", found.worst)):
        told = [
            f"{case_name(case)} {case['advantage']:+.{2 if unit else 4}f} {unit}".rstrip()
            for case in part.to_dict("records")
        ]
        if told:
            lines.append(f"{words} cases against {found.pairs[0].second}: {'; '.join(told)}")
    return "\n".join(lines)


def case_name(case: Mapping[str, Any]) -> str:
    """Return what tells a case from the others."""
    known = {"advantage", "of_method", "of_other"}
    parts = [
        f"seed {value}" if name == "seed" else str(value)
        for name, value in case.items()
        if name not in known and value != ""
    ]
    return ", ".join(parts)


def table_of(found: Comparison) -> pd.DataFrame:
    """Return the whole comparison as one table: all scenes first, then each part."""
    whole = pairs_table(found.pairs)
    whole.insert(0, "level", "all")
    return whole if found.parts.empty else pd.concat([whole, found.parts], ignore_index=True)


def as_csv(found: Comparison) -> str:
    """Return `table_of` as CSV."""
    return csv_text(table_of(found))


def as_latex(found: Comparison) -> str:
    """Return `table_of` as a LaTeX table (booktabs) that can be put into a paper."""
    table = table_of(found)[list(_TELLING)].rename(columns={**_TELLING, "level": "part"})
    return str(
        table.rename(columns=_escaped).to_latex(
            index=False, escape=False, na_rep="--", float_format="%.3f",
            formatters=dict.fromkeys(("part", "against", "verdict"), _escaped),
        )
    )  # fmt: skip


def _escaped(text: str) -> str:
    """Return text with what LaTeX would act upon made plain."""
    signs = {"\\": r"\textbackslash{}", **{sign: f"\\{sign}" for sign in "&%$#_{}"}}
    signs |= {"~": r"\textasciitilde{}", "^": r"\textasciicircum{}"}
    return "".join(signs.get(sign, sign) for sign in text)


def as_json(found: Comparison) -> str:
    """Return a comparison as JSON; a number that does not exist is null."""
    whole = {
        "method": found.method,
        "metric": found.metric.name,
        "unit": found.metric.unit,
        "better": found.metric.direction,
        "all": pairs_table(found.pairs).to_dict("records"),
        "parts": found.parts.to_dict("records"),
        "cases": found.cases.to_dict("records"),
    }
    return json.dumps(plain(whole), indent=1)


def plain(value: Any) -> Any:
    """Return a value as JSON takes it: numbers that do not exist as null, none of numpy's."""
    if isinstance(value, dict):
        return {name: plain(own) for name, own in value.items()}
    if isinstance(value, list):
        return [plain(own) for own in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value.item() if hasattr(value, "item") else value
