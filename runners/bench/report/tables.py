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
from ..ranking.interval import LEVEL, typical
from ..ranking.metric_column import LOST, TOTAL
from ..ranking.scenes import by_scene
from ..ranking.standings import Standings

#: The result against the ideal, beside what methods are ranked by.
MAIN = TOTAL
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


def standing(rows: pd.DataFrame, found: Standings) -> PageTable:
    """Return the methods, best first; floors and what was given the truth below them."""
    unit = found.metric.unit
    ssim = by_scene(rows, "total.ssim")
    return PageTable(
        heading="How the methods stand",
        columns=(
            "method", f"lost in the merge {unit}", f"{LEVEL:.0%} from", "to", "place", "like",
            f"result {unit}", "SSIM", "without failures", "failed", "skipped",
        ),
        rows=[
            (
                called(rows, row.method),
                _number(row.typical),
                _number(row.low),
                _number(row.high),
                place_of(row.rank_best, row.rank_worst) if row.ranked else "not ranked",
                row.groups or "-",
                _number(row.total_psnr_db),
                _number(typical(ssim[row.method].to_numpy()).typical, 3),
                _number(row.without_failures),
                str(row.failed),
                str(row.skipped),
            )
            for row in found.table.itertuples()
        ],
        note="Typical values over scenes (pseudo-medians); a scene's stacks are averaged first. "
        "Lost in the merge: selection limit less result, with its interval; result: "
        "signal-to-noise ratio against the ideal picture. Place: where a method stands among "
        "the ranked ones, all its comparisons together at 95 %. Methods that share a letter under "
        "“like” are not told apart. A failed cell counts as the worst result on its scene; a "
        "skipped one is left out. Floors and what is given the truth are not ranked.",
    )  # fmt: skip


def place_of(best: int, worst: int) -> str:
    """Return a method's place as people read it."""
    return f"{best}" if best == worst else f"{best} to {worst}"


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
        note="Capture limit: the least defocus of any frame at each point, or the best choice "
        "where that errs less; what is missing to the ideal was lost by hands, step and light. "
        "Selection limit: the best that choosing among truly aligned frames, or mixing two "
        "neighbours, can give; no method that chooses gets back what lies between "
        "the two. The rest was lost in the merge, which is the method's. Gain: light that the "
        "result needed. A true stage (+true-warp) shows what that stage costs the method.",
    )


def above_limits(rows: pd.DataFrame) -> PageTable:
    """Return the cells whose result lies above a limit by more than may rightly be."""
    flagged = rows[lies_above(rows)]
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


def lies_above(rows: pd.DataFrame) -> pd.Series:
    """Return for which rows a result lies above a limit by more than may rightly be."""
    told = rows.get("above_limit", pd.Series("", index=rows.index))
    return told.notna() & told.astype(object).ne("")  # a table that flags none has an empty column


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
            gain = typical((table[name] - table[base]).to_numpy())
            ends = (_number(gain.low), _number(gain.high))
            found.append((base, stage, _number(gain.typical), *ends))
    return PageTable(
        heading="What a stage costs",
        texts=2,
        columns=("method", "stage exchanged", "gain dB", f"{LEVEL:.0%} from", "to"),
        rows=found,
        note="The method with that stage, less the method itself, typical of the scenes. What a "
        "true stage gains is what the method's own costs.",
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


def pairs(rows: pd.DataFrame, found: Standings) -> PageTable:
    """Return all pairs of ranked methods with what the suite can say of their difference."""
    unit = found.metric.unit
    return PageTable(
        heading="Pair by pair",
        columns=(
            "methods", f"lost less {unit}", f"{LEVEL:.0%} from", "to", "effect", "p (Holm)",
            "scenes", f"could have seen {unit}", "verdict",
        ),
        rows=[
            (
                f"{called(rows, pair.first)} over {called(rows, pair.second)}",
                _number(pair.advantage.typical),
                _number(pair.advantage.low),
                _number(pair.advantage.high),
                _number(pair.effect),
                _number(pair.p_holm, 3),
                str(pair.advantage.scenes),
                _number(pair.least_difference),
                pair.verdict,
            )
            for pair in found.pairs
        ],
        note="By what was lost in the merge, against the limit of the view that each merged in, on "
        "the same stacks. Wilcoxon's signed-rank test over scenes with Holm's adjustment for the "
        "pairs that stand here; the interval is the test's own, of one pair. Effect: matched "
        "pairs' rank-biserial correlation. Could have seen: the typical difference that a suite "
        "of this size finds in 8 of 10 cases, by simulation; a dash where it finds none. Fewer "
        "than six scenes say nothing.",
    )  # fmt: skip


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
