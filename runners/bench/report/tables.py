"""The tables of the page: rows of a benchmark made readable."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ...contract import DONE
from ...judge.judged_view import SCORED_REGIONS
from ...judge.scoring import OWN
from .statistics import LEVEL, bootstrap, by_scene, pairwise, without_failures

#: What methods are ranked by.
MAIN = "total.psnr_db"
#: What methods are compared by: in one view it differs between two methods as their results do,
#: and across views it is what each lost against its own view's limit.
LOST = "merge_loss_db"
#: Follows the name of a method that did not merge in the view that its stacks name.
OWN_VIEW = " (own view)"
#: And of one whose process served one stack after another.
STAYED = " (stayed loaded)"
#: Columns of the table of all cells; rows.csv has all.
_SHOWN = {
    "capture.psnr_db": "capture limit dB",
    "selection.psnr_db": "selection limit dB",
    MAIN: "result dB",
    LOST: "lost in the merge dB",
    "total.ssim": "SSIM",
    "depth.depth_rmse_mm": "depth error mm",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PageTable:
    """A table for people.

    Parameters
    ----------
    heading : str
    columns : sequence of str
    rows : sequence of sequence of str
        The first cell names the row.
    note : str
    commands : sequence of str
        For each row, what makes its numbers again; none for means over cells.
    texts : int
        How many of the columns hold text, from the left; the others hold numbers.
    """

    heading: str
    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    note: str = ""
    commands: Sequence[str] = ()
    texts: int = 1


def standing(rows: pd.DataFrame) -> PageTable:
    """Return the methods, best first."""
    table, clean = by_scene(rows, MAIN), without_failures(rows, MAIN)
    lost = by_scene(rows, LOST, higher_is_better=False).mean()
    failed = rows[rows["status"] != "ok"]["method"].value_counts()
    found = {name: bootstrap(table[name].to_numpy(), rng=0) for name in table.columns}
    return PageTable(
        heading="How the methods stand",
        columns=(
            "method", "lost in the merge dB", "result dB", f"{LEVEL:.0%} from", "to", "SSIM",
            "without failures", "failed",
        ),
        rows=[
            (
                called(rows, name),
                _number(lost[name]),
                _number(found[name].mean),
                _number(found[name].low),
                _number(found[name].high),
                _number(by_scene(rows, "total.ssim")[name].mean(), 3),
                _number(clean[name]),
                str(failed.get(name, 0)),
            )
            for name in lost.sort_values(kind="stable").index
        ],
        note="Means over scenes; result: signal-to-noise ratio against the ideal picture, with a "
        "bootstrap interval over scenes; seeds are averaged within a scene. Lost in the merge: "
        "selection limit less result. In one view both order the methods alike; a method that "
        "merged in a view of its own is compared by what it lost there.",
    )  # fmt: skip


def called(rows: pd.DataFrame, name: object) -> str:
    """Return a method's name, marked where it has a view of its own, or stayed loaded."""
    its = rows[rows["method"] == name]
    nothing = pd.Series(dtype=object)
    own, stayed = its.get("view", nothing).eq(OWN), its.get("stays_loaded", nothing).eq(True)
    return f"{name}{OWN_VIEW if own.any() else ''}{STAYED if stayed.any() else ''}"


def loss_split(rows: pd.DataFrame) -> PageTable:
    """Return where the loss came from."""
    columns = {
        "capture.psnr_db": "capture limit dB",
        "selection_loss_db": "lost in selection dB",
        "selection.psnr_db": "selection limit dB",
        LOST: "lost in the merge dB",
        MAIN: "result dB",
        "residual_px": "shift px",
        "gain_stops": "gain stops",
    }
    return PageTable(
        heading="Where it was lost",
        columns=("method", *columns.values()),
        rows=_means(rows.reindex(columns=rows.columns.union(list(columns))), list(columns)),
        note="Capture limit: the least defocus of any frame at each point; what is missing to "
        "the ideal was lost by hands, step and light. Selection limit: the best that choosing "
        "among truly aligned frames can give; no method that chooses gets back what lies between "
        "the two. The rest was lost in the merge, which is the method's. Gain: light that the "
        "result needed. A true stage (+true-warp) shows what that stage costs the method.",
    )


def above_limits(rows: pd.DataFrame) -> PageTable:
    """Return the cells whose result lies above a limit by more than may rightly be."""
    flagged = rows[rows.get("above_limit", pd.Series("", index=rows.index)).fillna("").ne("")]
    return PageTable(
        heading="Above a limit",
        texts=4,
        columns=("scene", "condition", "method", "above", "result dB"),
        rows=[
            (
                str(row["scene"]),
                _condition(row),
                called(rows, row["method"]),
                str(row["above_limit"]),
                _number(row[MAIN]),
            )
            for _, row in flagged.iterrows()
        ],
        note="Nearer to the ideal than the frames allow, averaging noise and sharpening counted "
        "in: such a result knows more than its frames.",
    )


def regions(rows: pd.DataFrame) -> PageTable:
    """Return the results by region of the picture."""
    there = [
        r for r in SCORED_REGIONS if rows.get(f"{MAIN}.{r}", pd.Series(dtype=float)).notna().any()
    ]
    return PageTable(
        heading="By region, dB",
        columns=("method", *(name.replace("-", " ") for name in there)),
        rows=_means(rows, [f"{MAIN}.{name}" for name in there]),
    )


def stages(rows: pd.DataFrame) -> PageTable:
    """Return what a method gains where one of its stages is exchanged, such as for a true one."""
    table = by_scene(rows, MAIN)
    found = []
    for name in table.columns:
        base, plus, stage = str(name).rpartition("+")
        if plus and base in table:
            gain = bootstrap((table[name] - table[base]).to_numpy(), rng=0)
            found.append((base, stage, _number(gain.mean), _number(gain.low), _number(gain.high)))
    return PageTable(
        heading="What a stage costs",
        texts=2,
        columns=("method", "stage exchanged", "gain dB", f"{LEVEL:.0%} from", "to"),
        rows=found,
        note="The method with that stage, less the method itself, mean over scenes. What a true "
        "stage gains is what the method's own costs.",
    )


def depths(rows: pd.DataFrame) -> PageTable:
    """Return how well the depth maps hold, of methods that give one."""
    columns = {
        "depth.depth_rmse_mm": "rms error mm",
        "depth.depth_median_mm": "median error mm",
        "depth.bad_share_1dof": "share off by a depth of field",
        "depth.coverage": "share answered",
        "depth.rank_correlation": "rank correlation",
        "depth.depth_abs_rel": "relative error",
        "depth.depth_delta_1.05": "ratio < 1.05",
        "depth.boundary_f1": "boundary F1",
        "depth.depth_ause_mm": "error that confidence leaves mm",
    }
    return _known_means(rows, columns, heading="Depth maps", needs="depth.depth_rmse_mm")


def artefacts(rows: pd.DataFrame) -> PageTable:
    """Return what the merges invented or lost; less is better throughout."""
    columns = {
        "artefacts.halo_overshoot": "halo",
        "artefacts.halo_width_px": "halo px",
        "artefacts.ghost": "ghost",
        "artefacts.see_through": "see-through",
        "artefacts.smear": "smear",
        "artefacts.flicker_stops": "flicker stops",
        "artefacts.invented_detail": "invented detail",
    }
    return _known_means(
        rows,
        columns,
        heading="Artefacts",
        note="Less is better; a dash where the scenes have nothing to judge by.",
    )


def _known_means(
    rows: pd.DataFrame, columns: dict[str, str], *, heading: str, note: str = "", needs: str = ""
) -> PageTable:
    """Return means of those columns that have a number at all, for methods that have one."""
    there = {
        name: head for name, head in columns.items() if name in rows and rows[name].notna().any()
    }
    if needs and needs in rows:
        rows = rows[rows[needs].notna()]
    found = _means(rows, list(there), digits=3) if there else []
    return PageTable(heading=heading, columns=("method", *there.values()), rows=found, note=note)


def _means(rows: pd.DataFrame, columns: Sequence[str], *, digits: int = 2) -> list[tuple[str, ...]]:
    """Return a row of means over scenes for each method, best method first."""
    done = rows[rows["status"] == "ok"]
    if done.empty:
        return []
    numbers = done[["scene", "method", *columns]].astype(dict.fromkeys(columns, float))
    means = numbers.groupby(["scene", "method"]).mean().groupby("method").mean()
    order = done.groupby("method")[MAIN].mean().sort_values(ascending=False).index
    return [
        (called(rows, name), *(_number(means.loc[name, c], digits) for c in columns))
        for name in order
    ]


def pairs(rows: pd.DataFrame) -> PageTable:
    """Return all pairs of methods with what the suite can say of their difference.

    By what the merges lost: between two methods in one view that differs as their results do.
    """
    found = pairwise(-by_scene(rows, LOST, higher_is_better=False))
    return PageTable(
        heading="Pair by pair",
        columns=("methods", "difference dB", "effect", "p (Holm)", "scenes", "could have seen dB"),
        rows=[
            (
                f"{called(rows, row.first)} over {called(rows, row.second)}",
                _number(row.mean_difference),
                _number(row.effect),
                _number(row.p_holm, 3),
                str(row.scenes),
                _number(row.least_difference),
            )
            for row in found.itertuples()
        ],
        note="By what was lost in the merge, against the limit of the view that each merged in. "
        "Wilcoxon's signed-rank test over scenes with Holm's adjustment; effect: matched "
        "pairs' rank-biserial correlation. The last column is the difference that a suite of this "
        "size finds in 8 of 10 cases.",
    )


def failures(rows: pd.DataFrame) -> PageTable:
    """Return the cells that failed, with their reason."""
    bad = rows[~rows["status"].isin(DONE)]
    return PageTable(
        heading="Failed cells",
        texts=5,
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


def every_cell(rows: pd.DataFrame, commands: Sequence[str]) -> PageTable:
    """Return all cells in the suite's order.

    Parameters
    ----------
    rows : DataFrame
    commands : sequence of str
        One a row.
    """
    numbers = rows.reindex(columns=list(_SHOWN)).astype(float)
    return PageTable(
        heading="Every cell",
        columns=("scene", "condition", "method", "status", "seed", *_SHOWN.values()),
        rows=[
            (
                str(row["scene"]),
                _condition(row),
                f"{row['method']}{OWN_VIEW if row.get('view') == OWN else ''}",
                str(row["status"]),
                str(row.get("seed", "-")),
                *(_number(value) for value in numbers.loc[at]),
            )
            for at, row in rows.iterrows()
        ],
        commands=commands,
        note="The command renders the cell's stack again and runs its method on it, in a few "
        "seconds to minutes; rows.csv in the folder “again” then holds the numbers of the cell.",
        texts=4,
    )


def _condition(row: pd.Series) -> str:
    value = row.get("value")
    return str(row["condition"]) if pd.isna(value) else f"{row['condition']} {value:g}"


def _number(value: Any, digits: int = 2) -> str:
    return "-" if value is None or not np.isfinite(value) else f"{value:.{digits}f}"
