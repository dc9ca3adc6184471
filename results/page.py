"""Writes this folder's page: every figure of it is read from the tables beside it.

Usage: ``python results/page.py`` writes ``README.md`` from ``README.md.jinja``.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Sequence
from pathlib import Path

import jinja2
import pandas as pd
from stamps import STUDIES, stale

from stacktruth.runners.bench.report.statistics import bootstrap, by_scene

HERE = Path(__file__).resolve().parent
#: Which scores are told, all against the ideal: the result, and what the frames allow.
RESULT, LIMIT, SELECTION = "total.psnr_db", "capture.psnr_db", "selection.psnr_db"
_SCORED = ("demo/scores.csv", "quick/rows.csv", "standard/rows.csv", "study/study.csv")
#: What is said of a study whose files are those that it was made from, and of another.
NEW, OLD = "as the code is", "older than the code"
_SHORT = {"focus-map": "focus map", "laplacian-pyramid": "pyramid"}


def page() -> str:
    """Return the page, made of the tables as they are now."""
    surroundings = jinja2.Environment(undefined=jinja2.StrictUndefined, trim_blocks=True)
    template = surroundings.from_string((HERE / "README.md.jinja").read_text(encoding="utf-8"))
    return template.render(
        standard=_scores("standard/rows.csv"),
        quick=_scores("quick/rows.csv"),
        ages=(known := ages(STUDIES, stale())),
        older=[name for name, age in known.items() if age == OLD],
        without_selection=[name for name in _SCORED if SELECTION not in pd.read_csv(HERE / name)],
        standing=standing,
        ladders=ladders,
        steps=steps(_scores("study/study.csv")),
        bursts=bursts(),
        agreeing=agreeing,
        parted=parted,
        taus=taus(),
        limits=limits(pd.read_csv(HERE / "limits" / "rows.csv")),
    )


def ages(studies: Iterable[str], old: Container[str]) -> dict[str, str]:
    """Return for each study whether it is older than the code and data that it is made from."""
    return {name: OLD if name in old else NEW for name in studies}


def _scores(name: str) -> pd.DataFrame:
    """Return a table of scores; a limit that it was made without is not a number."""
    rows = pd.read_csv(HERE / name)
    return rows if SELECTION in rows else rows.copy().assign(**{SELECTION: float("nan")})


def standing(rows: pd.DataFrame) -> str:
    """Return the methods of a suite without conditions, best first, with intervals over scenes."""
    plain = rows[rows["condition"] == "plain"]
    by_method = by_scene(plain, RESULT)
    found = {name: bootstrap(by_method[name].to_numpy(), rng=0) for name in by_method}
    limits = [by_scene(plain, column) for column in (LIMIT, SELECTION)]
    order = sorted(found, key=lambda name: -found[name].mean)
    return table(
        ("method", "capture limit dB", "selection limit dB", "result dB", "95 % over scenes"),
        (
            (
                name,
                *(f"{limit[name].mean():.1f}" for limit in limits),
                f"{found[name].mean:.1f}",
                f"{found[name].low:.1f} to {found[name].high:.1f}",
            )
            for name in order
        ),
    )


def ladders(rows: pd.DataFrame, methods: Sequence[str]) -> str:
    """Return what each condition costs from its mildest to its hardest severity."""
    hard = rows[rows["condition"] != "plain"]
    lines = []
    for condition, part in hard.groupby("condition", sort=True):
        ends = [part[part["severity"] == end] for end in (part.severity.min(), part.severity.max())]
        values = [end["value"].iloc[0] for end in ends]
        scores = [
            [end[end["method"] == methods[0]][limit].mean() for end in ends]
            for limit in (LIMIT, SELECTION)
        ]
        scores += [[end[end["method"] == name][RESULT].mean() for end in ends] for name in methods]
        told = (f"{mild:.1f} -> {worst:.1f}" for mild, worst in scores)
        lines.append((str(condition), f"{values[0]:g} -> {values[1]:g}", *told))
    heads = (f"{_SHORT.get(name, name)} dB" for name in methods)
    limits = ("capture limit dB", "selection limit dB")
    return table(("condition", "severity", *limits, *heads), lines)


def steps(rows: pd.DataFrame) -> dict[str, str]:
    """Return what each step of the study leaves unsharp and costs, for each way of holding."""
    found = {}
    for name, part in rows.groupby("name"):
        lines = []
        for step, shoots in part.groupby("step_share"):
            result = shoots[RESULT]
            lines.append(
                (
                    f"{step:.2f}",
                    f"{shoots['never_share'].mean():.0%}",
                    f"{shoots[LIMIT].mean():.1f}",
                    f"{shoots[SELECTION].mean():.1f}",
                    f"{result.mean():.1f}",
                    f"{result.min():.1f} to {result.max():.1f}",
                )
            )
        limits = ("capture limit dB", "selection limit dB")
        heads = ("step, depths of field", "never sharp", *limits, "merged dB", "shoots")
        found[str(name)] = table(heads, lines)
    return found


def bursts() -> str:
    """Return what the calibration finds of known hands, rendered and not."""
    few = pd.read_csv(HERE / "calibrate" / "summary.csv")
    many = pd.read_csv(HERE / "calibrate" / "not-rendered.csv")
    both = few.merge(many, on=["burst", "number"], suffixes=("", "_many"))
    return table(
        ("burst", "number", "true", "median", "off", "interval holds, rendered", "not rendered"),
        (
            (
                row.burst,
                f"`{row.number}`",
                f"{row.true:g}",
                f"{row.median:g}",
                f"{row.off:+.1%}",
                f"{row.inside} of {row.seeds}",
                f"{row.inside_many} of {row.seeds_many}",
            )
            for row in both.itertuples()
        ),
    )


def limits(rows: pd.DataFrame) -> dict[str, object]:
    """Return how honest methods lie to the limits: counts, and by how much at most above each."""
    done = rows[rows["status"] == "ok"]
    over = {limit: done[RESULT] - done[f"{limit}.psnr_db"] for limit in ("capture", "selection")}
    nearest = {
        limit: (done[f"{limit}.margin_db"] - above).idxmin() for limit, above in over.items()
    }
    return {
        "stacks": len(rows.drop_duplicates(["scene", "stance", "bin", "iso", "seed"])),
        "results": len(rows),
        "not_ok": int((rows["status"] != "ok").sum()),
        "flagged": int(done["above_limit"].notna().sum()),
        "nearest": table(
            ("limit", "nearest to its margin", "stack", "above the limit, dB", "margin, dB"),
            (
                (
                    limit,
                    done["method"][at],
                    f"{done['scene'][at]}, {done['stance'][at]}, ISO {done['iso'][at]:g}",
                    f"{over[limit][at]:+.1f}",
                    f"{done[f'{limit}.margin_db'][at]:.1f}",
                )
                for limit, at in nearest.items()
            ),
        ),
    }


def agreeing(name: str) -> str:
    """Return how many statements of a published comparison came out, of those that can be told."""
    told = _claims(name)
    told = told[told["agrees?"] != "cannot say"]
    return f"{(told['agrees?'] == 'yes').sum()} of {len(told)}"


def parted(name: str) -> str:
    """Return the statements that did not come out, with what came instead."""
    found = _claims(name)
    missed = found[found["agrees?"] == "no"]
    return "\n".join(f"- {row.claim}: {row.ours}." for row in missed.itertuples())


def _claims(name: str) -> pd.DataFrame:
    return pd.read_csv(HERE / "reproduce" / name / "claims.csv")


def taus() -> str:
    """Return how well metrics that need no truth follow the truth, best first."""
    rows = pd.read_csv(HERE / "reproduce" / "fusion-metrics" / "taus.csv")
    return table(
        ("metric without truth", "Kendall's tau with PSNR", "95 % interval", "above the best"),
        (
            (
                row.title,
                f"{row.tau_psnr_db:.2f}",
                f"{row.low_psnr_db:.2f} to {row.high_psnr_db:.2f}",
                f"{row.above_best:.0%}",
            )
            for row in rows.sort_values("tau_psnr_db", ascending=False).itertuples()
        ),
    )


def table(heads: Sequence[str], lines: Iterable[Sequence[str]]) -> str:
    """Return rows of text as a Markdown table."""
    rows = [heads, ["---"] * len(heads), *lines]
    return "\n".join(f"| {' | '.join(row)} |" for row in rows)


def write_page() -> Path:
    """Write the page, and return where."""
    path = HERE / "README.md"
    path.write_text(page(), encoding="utf-8")
    return path


if __name__ == "__main__":
    write_page()
