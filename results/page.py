"""Writes this folder's page: every figure of it is read from the tables beside it.

Usage: ``python results/page.py`` writes ``README.md`` from ``README.md.jinja``, and names the
sections whose numbers have changed since their sentences were last read; ``--read`` says that they
have been read with the numbers as they are now.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Container, Iterable, Mapping, Sequence
from functools import cache
from math import isfinite
from pathlib import Path

import jinja2
import pandas as pd
from stamps import NOT_MADE, STUDIES, is_made, stale
from told import for_authors, for_photographers

from stacktruth.ground.checksum import sha256
from stacktruth.runners.bench.ranking.factors import kinds_of
from stacktruth.runners.bench.ranking.folder import plain_rows
from stacktruth.runners.bench.ranking.metric_column import LOST, metric_column
from stacktruth.runners.bench.ranking.scenes import by_scene
from stacktruth.runners.bench.ranking.standings import Standings, standings
from stacktruth.runners.plan.trial.summary import comparison, failures
from stacktruth.runners.reproduce.metric_order_report import turns

HERE = Path(__file__).resolve().parent
#: Which scores are told, all against the ideal: the result, and what the frames allow.
RESULT, LIMIT, SELECTION = "total.psnr_db", "capture.psnr_db", "selection.psnr_db"
_SCORED = ("demo/scores.csv", "quick/rows.csv", "standard/rows.csv", "study/study.csv")
#: Checksums of the sections when somebody last read them.
_READ = HERE / "read.json"
#: What is said of a study whose files are those that it was made from, and of another.
NEW, OLD = "as the code is", "older than the code"
#: The verdict on what leaves nothing to agree with.
UNTOLD = "cannot say"
_SHORT = {"focus-map": "focus map", "laplacian-pyramid": "pyramid"}


def page() -> str:
    """Return the page, made of the tables as they are now."""
    surroundings = jinja2.Environment(undefined=jinja2.StrictUndefined, trim_blocks=True)
    template = surroundings.from_string((HERE / "README.md.jinja").read_text(encoding="utf-8"))
    known = ages(STUDIES, stale())
    made = {name for name, age in known.items() if age != NOT_MADE}
    return template.render(
        standard=_scores("standard/rows.csv"),
        told=suite_told(HERE / "standard"),
        quick=_scores("quick/rows.csv"),
        ages=known,
        made=made,
        older=[name for name, age in known.items() if age == OLD],
        without_selection=[name for name in _SCORED if SELECTION not in pd.read_csv(HERE / name)],
        standing=standing,
        ladders=ladders,
        steps=steps(_scores("study/study.csv")),
        bursts=bursts(),
        ledgers=ledgers(told := claims(), known),
        forgiven=forgiven(told),
        left_out=left_out(),
        missed={name: missed(rows) for name, rows in told.items()},
        taus=taus(),
        orders=orders() if "reproduce/metric-order" in made else "",
        reviewed=reviewed() if "review" in made else {},
        speed=speed(HERE / "speed"),
        promises=promises() if "promises" in made else {},
        limits=limits(pd.read_csv(HERE / "limits" / "rows.csv")),
    )


def ages(studies: Iterable[str], old: Container[str]) -> dict[str, str]:
    """Return for each study whether it is older than the code and data that it is made from."""
    told = {name: OLD if name in old else NEW for name in studies}
    return {name: age if is_made(STUDIES[name]) else NOT_MADE for name, age in told.items()}


def _scores(name: str) -> pd.DataFrame:
    """Return a table of scores; a limit that it was made without is not a number."""
    rows = pd.read_csv(HERE / name)
    return rows if SELECTION in rows else rows.copy().assign(**{SELECTION: float("nan")})


def suite_told(folder: Path) -> dict[str, object]:
    """Return what a suite's rows tell: its table, what it lacks, and what to take from it."""
    return _suite_told(folder, (folder / "rows.csv").stat().st_mtime_ns)


@cache
def _suite_told(folder: Path, _stamp: int) -> dict[str, object]:
    suite, _ = plain_rows(folder)
    rows = _scores(f"{folder.name}/rows.csv")
    plain, found = _stand(rows)
    return {
        "standing": standing(rows, found),
        "shortcomings": suite.shortcomings,
        "authors": [] if suite.shortcomings else for_authors(plain, found, kinds_of(suite)),
        "photographers": [] if suite.shortcomings else for_photographers(plain, found),
    }


def _stand(rows: pd.DataFrame) -> tuple[pd.DataFrame, Standings]:
    """Return the rows without conditions, and how the methods stand on them."""
    plain = rows[rows["condition"] == "plain"]
    if LOST not in plain:  # made before the judge had a selection limit
        plain = plain.assign(**{LOST: -plain[RESULT]})
    return plain, standings(plain, metric_column(LOST, plain.columns))


def standing(rows: pd.DataFrame, found: Standings | None = None) -> str:
    """Return the methods of a suite without conditions, contenders first, with intervals."""
    plain = rows[rows["condition"] == "plain"]
    found = found or _stand(rows)[1]
    limits = [by_scene(plain, column) for column in (LIMIT, SELECTION)]
    return table(
        (
            "method", "capture limit dB", "selection limit dB", "result dB", "lost in the merge dB",
            "95 % over scenes",
        ),
        (
            (
                row.method,
                *(f"{limit[row.method].median():.1f}" for limit in limits),
                f"{row.total_psnr_db:.1f}",
                f"{row.typical:.1f}",
                f"{row.low:.1f} to {row.high:.1f}" if isfinite(row.low) else "-",
            )
            for row in found.table.itertuples()
        ),
    )  # fmt: skip


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


def reviewed() -> dict[str, object]:
    """Return what the review of known bursts found: how often it is right, and what it said."""
    rows = pd.read_csv(HERE / "review" / "bursts.csv")
    found = pd.read_csv(HERE / "review" / "summary.csv")
    shares = [
        (
            one.of,
            f"{one.hits} of {one.tries}",
            f"{one.share:.0%}",
            f"{one.low:.0%} to {one.high:.0%}",
        )
        for one in found.itertuples()
    ]
    said = pd.crosstab(rows["verdict"], rows["planted"]).reindex(
        columns=[True, False], fill_value=0
    )
    return {
        "bursts": len(rows),
        "shares": table(("of 'gap here'", "right", "share", "95 % interval"), shares),
        "verdicts": table(
            ("verdict", "with frames left out", "with all frames"),
            ((str(verdict), *map(str, counts)) for verdict, *counts in said.itertuples()),
        ),
    }


def speed(folder: Path) -> dict[str, object]:
    """Return what was measured of time, and on what; nothing where that was not done."""
    if not (folder / "table.csv").is_file():
        return {}
    rows = pd.read_csv(folder / "table.csv")
    told = [
        (one.what, f"{one.measured:.3g} {one.unit}", _aim(one.aim, one.at_least))
        for one in rows.itertuples()
        if isfinite(one.measured)  # what needs a package that was not there is not told
    ]
    return {
        "ran_on": _ran_on(folder),
        "table": table(("what", "measured", "aim"), told),
        "gpu": gpu(folder),
    }


def _ran_on(folder: Path) -> str:
    """Return what each kind of lines was measured on, those of one machine and commit together."""
    found: dict[str, list[str]] = {}
    for kind in ("lines", "tracer", "curves", "apart", "render", "bench"):
        if (folder / f"{kind}.json").is_file():
            one = json.loads((folder / f"{kind}.json").read_text(encoding="utf-8"))
            commit = one["commit"][:7] or "unknown"
            machine = f"{one['processor']}, {one['cores']} logical cores, commit `{commit}`"
            found.setdefault(machine, []).append(kind)
    return "; ".join(f"{', '.join(kinds)}: {machine}" for machine, kinds in found.items())


def gpu(folder: Path) -> dict[str, object]:
    """Return how a GPU's pictures and times compare with the processor's; nothing if not done."""
    if not (folder / "gpu.csv").is_file():
        return {}
    ran_on = json.loads((folder / "gpu.json").read_text(encoding="utf-8"))
    rows = pd.read_csv(folder / "gpu.csv")
    timed = rows.dropna(subset=["gpu_s"])
    both = timed.dropna(subset=["cpu_s", "largest_difference"])
    alone = timed.drop(both.index)
    told = [
        (
            f"{one.what}, {one.scene}, {one.quality}",
            f"{one.width:.0f} x {one.height:.0f}",
            f"{one.cpu_s:.2g}",
            f"{one.gpu_s:.2g}",
            f"{one.cpu_s / one.gpu_s:.2g}",
            f"{one.largest_difference:.1e}",
        )
        for one in both.itertuples()
    ]
    heads = ("picture", "pixels", "processor, s", "GPU, s", "times as fast", "largest difference")
    works = [
        (
            f"{one.what}, {one.scene}, {one.quality}",
            f"{one.width:.0f} x {one.height:.0f}",
            f"{one.gpu_s:.3g}",
            "" if pd.isna(one.note) else one.note,
        )
        for one in alone.itertuples()
    ]
    return {
        "name": ran_on["gpu"],
        "cores": ran_on["cores"],
        "curves": (folder / "curves_gpu.csv").is_file(),
        "most": f"{rows['largest_difference'].max():.1e}",
        "table": table(heads, told),
        "works": table(("work", "pixels", "GPU, s", ""), works),
    }


def _aim(aim: float, at_least: bool) -> str:
    if not isfinite(aim):
        return "none"
    return f"at {'least' if at_least else 'most'} {aim:g}"


def promises() -> dict[str, object]:
    """Return whether the chances of random plans hold, and how they compare with no plan."""
    rows = pd.read_csv(HERE / "promises" / "settings.csv")
    curve = pd.read_csv(HERE / "promises" / "calibration.csv")
    return {
        "settings": len(rows),
        "shoots": int(rows["tries"].sum()),
        "against": comparison(rows),
        "broken": failures(rows),
        "curve": table(
            ("promised", "settings", "shoots", "mean promise", "kept", "apart, points (95 %)", ""),
            (
                (
                    f"{one.low_edge:.0%} to {one.high_edge:.0%}",
                    str(one.settings),
                    str(one.tries),
                    f"{one.promised:.1%}",
                    f"{one.kept:.1%}",
                    f"{100 * one.apart:+.1f} ({100 * one.low:+.1f} to {100 * one.high:+.1f})",
                    one.verdict,
                )
                for one in curve.itertuples()
            ),
        ),
    }


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


def ledgers(tables: Mapping[str, pd.DataFrame], ages: Mapping[str, str]) -> dict[str, str]:
    """Return the two ledgers, each with its own total, and the comparisons that are in neither.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The claims of each comparison.
    ages : mapping of str to str
        What is said of each study's age.
    """
    counted = {name: rows for name, rows in tables.items() if "ledger" in rows}
    lines: dict[str, list[tuple[str, ...]]] = {"published": [], "own": []}
    sums = {"published": [0, 0, 0, 0], "own": [0, 0]}
    for name, rows in counted.items():
        for ledger, verdicts in (("published", ("strict", "lenient")), ("own", ("strict",))):
            part = rows[rows["ledger"] == ledger]
            told = part[part["strict"] != UNTOLD]
            counts = [len(told), *((told[verdict] == "yes").sum() for verdict in verdicts)]
            counts += [len(part) - len(told)] if ledger == "published" else []
            if len(part):
                age = ages[f"reproduce/{name}"]
                lines[ledger].append((f"`{name}`", *map(str, counts), age))
                sums[ledger] = [a + b for a, b in zip(sums[ledger], counts, strict=True)]
    published = ("comparison", "statements", "agree strictly", "agree leniently", UNTOLD, "made")
    own = ("comparison", "findings", "came out", "made")
    total = {ledger: ("**all**", *map(str, counts), "") for ledger, counts in sums.items()}
    return {
        "published": table(published, [*lines["published"], total["published"]]),
        "own": table(own, [*lines["own"], total["own"]]),
        "uncounted": ", ".join(f"`{name}`" for name in tables if name not in counted),
    }


def forgiven(tables: Mapping[str, pd.DataFrame]) -> str:
    """Return the published statements that agree leniently and not strictly, with why."""
    heads = ("statement", "quoted", "ours", "strictly", "leniently", "why", "source")
    columns = ("claim", "published", "ours", "strict rule", "lenient rule", "why they differ")
    lines = []
    for rows in tables.values():
        if "ledger" in rows:
            told = rows[(rows["ledger"] == "published") & (rows["strict"] == "no")]
            for _, row in told[told["lenient"] == "yes"].iterrows():
                lines.append([str(row[column]) for column in (*columns, "source")])
    return table(heads, lines)


def left_out() -> str:
    """Return what was left out of which number, with all reasons and the number without that."""
    lines = []
    for path in sorted((HERE / "reproduce").glob("*/exclusions.csv")):
        for row in pd.read_csv(path, dtype=str).itertuples(index=False):
            lines.append((f"`{path.parent.name}`: {row[0]}", *row[1:]))
    heads = ("number", "as told", "without the exclusion", "left out", "reasons")
    return table(heads, lines)


def missed(rows: pd.DataFrame, ledger: str = "") -> str:
    """Return the statements that do not agree even leniently, with what came instead."""
    verdict = "lenient" if "ledger" in rows else "agrees?"
    found = rows[rows[verdict] == "no"]
    if ledger and "ledger" in rows:
        found = found[found["ledger"] == ledger]
    return "\n".join(f"- {row.claim}: {row.ours}." for row in found.itertuples()) or "- nothing."


def claims() -> dict[str, pd.DataFrame]:
    """Return the claims of each comparison that is published, by its name."""
    paths = sorted((HERE / "reproduce").glob("*/claims.csv"))
    return {path.parent.name: pd.read_csv(path, keep_default_na=False) for path in paths}


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


def orders() -> str:
    """Return how the order of such metrics turns from published conditions to ours, and by what."""
    rows = pd.read_csv(HERE / "reproduce" / "metric-order" / "orders.csv")

    def interval(row: pd.Series, name: str) -> str:
        return f"{row[name]:.2f} [{row[f'{name}_low']:.2f}, {row[f'{name}_high']:.2f}]"

    heads = ("what is changed", "tau with the published order", "change", "taus move by (rms)")
    names = ("published", "change", "moved")
    lines = [(row["case"], *(interval(row, name) for name in names)) for _, row in rows.iterrows()]
    return f"{table(heads, lines)}\n\n{turns(rows.to_dict('records'))}"


def table(heads: Sequence[str], lines: Iterable[Sequence[str]]) -> str:
    """Return rows of text as a Markdown table."""
    rows = [heads, ["---"] * len(heads), *lines]
    return "\n".join(f"| {' | '.join(row)} |" for row in rows)


def sections(text: str) -> dict[str, str]:
    """Return the checksum of each section by its heading; how old a study is does not count."""
    plain = text.replace(OLD, NEW)
    parts = re.split(r"^#{2,3} (.*)$", plain, flags=re.MULTILINE)[1:]
    return {
        head: sha256(body.strip().encode())[:16]
        for head, body in zip(parts[::2], parts[1::2], strict=True)
    }


def unread(text: str) -> list[str]:
    """Return the headings of sections that are not as they were when they were last read."""
    known = json.loads(_READ.read_text(encoding="utf-8")) if _READ.is_file() else {}
    return [head for head, digest in sections(text).items() if known.get(head) != digest]


def write_page(*, read: bool = False) -> Path:
    """Write the page, and return where.

    Parameters
    ----------
    read : bool
        Record that the sentences of all sections hold with the numbers as they are.
    """
    path, text = HERE / "README.md", page()
    path.write_text(text, encoding="utf-8")
    if read:
        _READ.write_text(json.dumps(sections(text), indent=1) + "\n", encoding="utf-8")
    for head in unread(text):
        print(f"read its sentences again, and then run page.py --read: {head}", file=sys.stderr)
    return path


if __name__ == "__main__":
    write_page(read=sys.argv[1:] == ["--read"])
