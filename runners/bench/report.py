"""A benchmark as one page that needs nothing else: no network, and no script to be read."""

from __future__ import annotations

import base64
import hashlib
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jinja2
import numpy as np
import pandas as pd
from markupsafe import Markup
from matplotlib.figure import Figure

from runners.bench.cells import PLAIN, cells_of
from runners.bench.conditions import FACTORS
from runners.bench.statistics import LEVEL, bootstrap, by_scene, pairwise, without_failures
from runners.bench.store import Store, write_whole
from runners.bench.tables import write_tables
from runners.bench.verify import suite_in
from runners.request import RequestError
from runners.scoring import SCORED_REGIONS

#: What methods are ranked by.
MAIN = "total.psnr_db"
#: Makes headings into buttons that sort; the page is whole without it.
_SCRIPT = """
for (const table of document.querySelectorAll("table")) {
  const heads = [...table.querySelectorAll("thead th")];
  heads.forEach((head, at) => {
    const button = document.createElement("button");
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const up = head.getAttribute("aria-sort") === "descending";
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      const key = (row) => row.cells[at].textContent;
      const body = table.tBodies[0];
      const rows = [...body.rows].sort((a, b) => {
        const [x, y] = [parseFloat(key(a)), parseFloat(key(b))];
        const order = isNaN(x) || isNaN(y) ? key(a).localeCompare(key(b)) : x - y;
        return up ? order : -order;
      });
      body.append(...rows);
    });
  });
}
"""
_TOLD = ("stacktruth", "commit", "changed_files", "python", "numpy", "scipy", "processor", "system",
         "workers", "threads")  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table for people."""

    heading: str
    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A plot as base64 of a PNG, with words for those who can't see it."""

    heading: str
    data: str
    words: str


def write_report(folder: str | Path) -> Path:
    """Write ``report.html`` of what is done in a benchmark's folder.

    Raises
    ------
    RequestError
        The folder holds no benchmark, or nothing is done in it yet.
    """
    store = Store(Path(folder))
    suite = suite_in(store.path)
    cells = cells_of(suite)
    rows = write_tables(store, cells)
    if rows.empty:
        raise RequestError(f"{folder}: no cell is done that this version of the code made")
    known = json.loads((store.path / "environment.json").read_text(encoding="utf-8"))
    plain = rows[rows["condition"] == PLAIN]
    tables = [standing(plain), loss_split(plain), regions(plain), pairs(plain), failures(rows)]
    page = _template().render(
        title=f"{suite.name}: {suite.title}" if suite.title else suite.name,
        summary=summary(rows, len(cells)),
        tables=[table for table in tables if table.rows],
        pictures=curves(rows),
        command=f"stacktruth bench {suite.name} --out DIR --workers {known['workers']}",
        environment=[(name, known.get(name, "")) for name in _TOLD],
        script=Markup(_SCRIPT),
        script_hash=base64.b64encode(hashlib.sha256(_SCRIPT.encode()).digest()).decode(),
    )
    path = store.path / "report.html"
    write_whole(path, page.encode())
    return path


def _template() -> jinja2.Template:
    """Return the page's template; everything put into it is escaped."""
    loader = jinja2.PackageLoader("runners.bench", ".")
    surroundings = jinja2.Environment(
        loader=loader, autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True
    )
    return surroundings.get_template("report.html")


def summary(rows: pd.DataFrame, cells: int) -> list[str]:
    """Return the outcome in words."""
    plain = rows[rows["condition"] == PLAIN]
    table = by_scene(plain, MAIN)
    means = table.mean().sort_values(ascending=False)
    best, last = means.index[0], means.index[-1]
    said = [
        f"{len(rows)} of {cells} cells are done; {(rows['status'] != 'ok').sum()} of them failed. "
        f"On {len(table)} scenes {best} came out best with {means[best]:.1f} dB against the ideal "
        f"picture, {last} worst with {means[last]:.1f} dB."
    ]
    lost = plain.groupby("method")["merge_loss_db"].mean()
    possible = by_scene(plain, "capture.psnr_db").max(axis=1).mean()
    said.append(
        f"The frames themselves allow {possible:.1f} dB on average: what is missing from there to "
        f"the ideal was lost by hands, step and light. {best} lost another {lost[best]:.1f} dB in "
        "the merge. A failed cell counts as the worst result on its scene."
    )
    return said


def standing(rows: pd.DataFrame) -> Table:
    """Return the methods, best first."""
    table, clean = by_scene(rows, MAIN), without_failures(rows, MAIN)
    failed = rows[rows["status"] != "ok"]["method"].value_counts()
    found = {name: bootstrap(table[name].to_numpy(), rng=0) for name in table.columns}
    order = sorted(found, key=lambda name: -found[name].mean)
    return Table(
        heading="How the methods stand",
        columns=("method", "dB", f"{LEVEL:.0%} from", "to", "SSIM", "without failures", "failed"),
        rows=[
            (
                name,
                _number(found[name].mean),
                _number(found[name].low),
                _number(found[name].high),
                _number(by_scene(rows, "total.ssim")[name].mean(), 3),
                _number(clean[name]),
                str(failed.get(name, 0)),
            )
            for name in order
        ],
        note="Mean over scenes of the signal-to-noise ratio against the ideal picture, with a "
        "bootstrap interval over scenes; seeds are averaged within a scene.",
    )


def loss_split(rows: pd.DataFrame) -> Table:
    """Return where the loss came from."""
    columns = ("capture.psnr_db", "merge.psnr_db", MAIN, "merge_loss_db", "residual_px")
    return Table(
        heading="Where it was lost",
        columns=("method", "best possible dB", "merge dB", "result dB", "lost dB", "shift px"),
        rows=_means(rows, columns),
        note="Merge: against the best possible. Lost: best possible less result. "
        "Best possible: the least defocus of any frame at each point, in the view that the "
        "method chose. A true stage (+true-warp) shows what that stage costs the method.",
    )


def regions(rows: pd.DataFrame) -> Table:
    """Return the results by region of the picture."""
    there = [
        r for r in SCORED_REGIONS if rows.get(f"{MAIN}.{r}", pd.Series(dtype=float)).notna().any()
    ]
    return Table(
        heading="By region, dB",
        columns=("method", *(name.replace("-", " ") for name in there)),
        rows=_means(rows, [f"{MAIN}.{name}" for name in there]),
    )


def _means(rows: pd.DataFrame, columns: Sequence[str]) -> list[tuple[str, ...]]:
    """Return a row of means over scenes for each method, best method first."""
    done = rows[rows["status"] == "ok"]
    if done.empty:
        return []
    numbers = done[["scene", "method", *columns]].astype(dict.fromkeys(columns, float))
    means = numbers.groupby(["scene", "method"]).mean().groupby("method").mean()
    order = done.groupby("method")[MAIN].mean().sort_values(ascending=False).index
    return [(str(name), *(_number(means.loc[name, c]) for c in columns)) for name in order]


def pairs(rows: pd.DataFrame) -> Table:
    """Return all pairs of methods with what the suite can say of their difference."""
    found = pairwise(by_scene(rows, MAIN))
    return Table(
        heading="Pair by pair",
        columns=("methods", "difference dB", "effect", "p (Holm)", "scenes", "could have seen dB"),
        rows=[
            (
                f"{row.first} over {row.second}",
                _number(row.mean_difference),
                _number(row.effect),
                _number(row.p_holm, 3),
                str(row.scenes),
                _number(row.least_difference),
            )
            for row in found.itertuples()
        ],
        note="Wilcoxon's signed-rank test over scenes with Holm's adjustment; effect: matched "
        "pairs' rank-biserial correlation. The last column is the difference that a suite of this "
        "size finds in 8 of 10 cases.",
    )


def failures(rows: pd.DataFrame) -> Table:
    """Return the cells that failed, with their reason."""
    bad = rows[~rows["status"].isin(["ok", "skipped"])]
    return Table(
        heading="Failed cells",
        columns=("scene", "condition", "method", "status", "reason"),
        rows=[
            (
                str(r.scene),
                f"{r.condition} {r.severity}",
                str(r.method),
                str(r.status),
                str(r.reason),
            )
            for r in bad.itertuples()
        ],
    )


def curves(rows: pd.DataFrame) -> list[Picture]:
    """Return a picture for each condition: results over its severity."""
    made = []
    for condition in dict.fromkeys(rows["condition"]):
        if condition == PLAIN:
            continue
        part = rows[(rows["condition"] == condition) & (rows["status"] == "ok")]
        if part.empty:
            continue
        unit = FACTORS[condition].unit
        words = (
            f"Signal-to-noise ratio against the ideal over {condition.replace('-', ' ')} ({unit}), "
            f"mean over {part['scene'].nunique()} scenes; dashed: what the frames allow."
        )
        made.append(
            Picture(heading=condition.replace("-", " "), data=_curve(part, unit), words=words)
        )
    return made


def _curve(part: pd.DataFrame, unit: str) -> str:
    figure = Figure(figsize=(7.5, 4), layout="constrained")
    axes = figure.subplots()
    for name in dict.fromkeys(part["method"]):
        own = part[part["method"] == name].groupby("value")[MAIN].mean()
        axes.plot(own.index, own.to_numpy(float), marker="o", label=name)
    allowed = part.groupby("value")["capture.psnr_db"].max()
    axes.plot(allowed.index, allowed.to_numpy(float), "k--", label="best possible")
    # A ladder of doublings is read by its ratios.
    if np.ptp(np.log10(part["value"].to_numpy(float))) > 0.7:
        axes.set_xscale("log")
        axes.set_xticks(sorted(set(part["value"])), minor=False)
        axes.set_xticks([], minor=True)
        axes.set_xticklabels([f"{value:g}" for value in sorted(set(part["value"]))])
    axes.set(xlabel=unit, ylabel="dB against the ideal")
    axes.grid(alpha=0.3)
    axes.legend(fontsize="small")
    file = io.BytesIO()
    figure.savefig(file, format="png", dpi=110)
    return base64.b64encode(file.getvalue()).decode()


def _number(value: Any, digits: int = 2) -> str:
    return "-" if value is None or not np.isfinite(value) else f"{value:.{digits}f}"
