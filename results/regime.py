"""What the regime does to a ranking: merged pixels and cut passes against what is really shot.

Usage: ``python results/remake.py regime`` renders what is missing and makes the tables;
``python results/regime.py`` makes tables, figure and ``regime/README.md`` of the rows that are
there: those of ``standard/`` (windows at real pixels, whole passes), and beside this study's tables
``binned.csv`` (the same scenes and methods, 8 x 8 pixels merged into one, twelve frames) and
``seeds.csv`` (some scenes and methods of the suite with another seed).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path

import jinja2
import pandas as pd
from matplotlib.figure import Figure

from stacktruth.runners.bench import load_suite
from stacktruth.runners.bench.grid.cells import PLAIN
from stacktruth.runners.bench.grid.suite import Suite
from stacktruth.runners.bench.ranking.components import blur_of_mean, variance_components
from stacktruth.runners.bench.ranking.metric_column import LOST, metric_column
from stacktruth.runners.bench.ranking.orders import (
    ALIKE,
    Tau,
    halves,
    scenes_needed,
    tau_between,
    turned_over,
)
from stacktruth.runners.bench.ranking.pairs import contenders
from stacktruth.runners.bench.ranking.scenes import by_scene
from stacktruth.runners.bench.ranking.standings import Standings, standings
from stacktruth.runners.bench.ranking.words import headline
from stacktruth.runners.csv_text import read_rows
from stacktruth.runners.figures import plain_text

HERE = Path(__file__).resolve().parent
FOLDER = HERE / "regime"
#: Of a row, what is kept: no more than the tables need, and what tells that it is there.
KEPT = (
    "suite", "condition", "scene", "rig", "stance", "light", "subject", "window", "frames", "seed",
    "method", "kind", "status", "total.psnr_db", "capture.psnr_db", "selection.psnr_db", LOST,
    "cell_key",
)  # fmt: skip
#: What the binned regime was: that of the suites before there were windows.
BIN, FRAMES, CROP = 8, 12, (3072, 2048)
HANDHELD = "braced"
#: Of the other seed: cheap, and of each kind of recipe one.
SEED_METHODS = (
    "laplacian-pyramid", "match-salience", "dct-variance", "guided-filter", "focus-map",
    "focus-map-guided",
)  # fmt: skip
#: Of the real and of the binned regime in the figure.
_COLOURS = ("#1b6ca8", "#c4552d")


def suites() -> dict[str, Suite]:
    """Return what is to be run beside the standard suite, by the name of its table."""
    standard = replace(load_suite("standard"), ladders=(), stances=(HANDHELD,))
    fixed = tuple(name for name in standard.scenes if ":" not in name)
    return {
        "binned": replace(
            standard, name="regime-binned", windows=False, places=(), crop=CROP, bin=BIN,
            frames=FRAMES,
        ),
        "seeds": replace(
            standard, name="regime-seeds", scenes=fixed, methods=SEED_METHODS, seeds=(2,),
            places=tuple(place for place in standard.places if place.scene in fixed),
        ),
    }  # fmt: skip


@dataclass(frozen=True, kw_only=True, eq=False)
class Regime:
    """What the study found.

    Parameters
    ----------
    real, binned : Standings
        Of the methods that compete, by what they lost in the merge, hand-held.
    tau : Tau
        Between the two orders.
    statements : DataFrame
        Of `turned_over`, from binned to real.
    halves, halves_binned : DataFrame
        How alike two halves of the scenes are, in each regime.
    components : DataFrame
        Of `variance_components`.
    """

    real: Standings
    binned: Standings
    tau: Tau
    statements: pd.DataFrame
    halves: pd.DataFrame
    halves_binned: pd.DataFrame
    components: pd.DataFrame


def regime(
    standard: pd.DataFrame, binned: pd.DataFrame, seeds: pd.DataFrame, *, draws: int = 1000
) -> Regime:
    """Return what the regime does, from rows of benchmarks.

    Parameters
    ----------
    standard, binned, seeds : DataFrame
        Plain rows; the first in several stances, among them the hand-held one of the others.
    draws : int
        For intervals.

    Raises
    ------
    ValueError
        The first holds no hand-held stack, or none on a support.
    """
    if set(standard["stance"]) <= {HANDHELD} or HANDHELD not in set(standard["stance"]):
        raise ValueError(
            f"standard: got stances {', '.join(sorted(set(standard['stance'])))}, allowed "
            f"{HANDHELD} and another: the suite of windows at real pixels"
        )
    names = [name for name in contenders(standard) if name in set(binned["method"])]
    every = standard[standard["method"].isin(names)]
    by_hand = every[every["stance"] == HANDHELD]
    merged = binned[binned["method"].isin(names)]
    both = set(by_hand["scene"]) & set(merged["scene"])
    by_hand, merged = (rows[rows["scene"].isin(both)] for rows in (by_hand, merged))
    metric = metric_column(LOST, every.columns)
    found = [standings(rows, metric) for rows in (by_hand, merged)]
    levels = [by_scene(rows, LOST, higher_is_better=False) for rows in (by_hand, merged)]
    pairs = [[one.pair(*pair) for pair in combinations(names, 2)] for one in found]
    return Regime(
        real=found[0],
        binned=found[1],
        tau=tau_between(*levels, draws=draws),
        statements=turned_over(pairs[1], pairs[0]),
        halves=halves(by_scene(every, LOST, higher_is_better=False), draws=draws // 5),
        halves_binned=halves(levels[1], draws=draws // 5),
        components=_components(every, seeds, draws=draws),
    )


def _components(every: pd.DataFrame, seeds: pd.DataFrame, *, draws: int) -> pd.DataFrame:
    """Return the components of the methods that were run with another seed."""
    names = [name for name in dict.fromkeys(seeds["method"]) if name in set(every["method"])]
    own = every[every["method"].isin(names)]
    again = seeds[seeds["method"].isin(names)]
    same = own[(own["stance"] == HANDHELD) & own["scene"].isin(set(again["scene"]))]
    return variance_components(own, pd.concat([same, again]), LOST, draws=draws)


def rows_there(folder: Path = HERE) -> dict[str, pd.DataFrame]:
    """Return the plain rows that are published, by the name of what they are of."""
    paths = {
        "standard": folder / "standard" / "rows.csv",
        "binned": folder / "regime" / "binned.csv",
        "seeds": folder / "regime" / "seeds.csv",
    }
    found = {name: read_rows(path) for name, path in paths.items()}
    return {name: rows[rows["condition"] == PLAIN] for name, rows in found.items()}


def write_regime(found: Regime, folder: Path = FOLDER) -> None:
    """Write tables, figure and page."""
    for name, table in tables(found).items():
        table.to_csv(folder / f"{name}.csv", index=False, float_format="%.4g")
    regime_figure(found).savefig(folder / "figure.png", dpi=110)
    (folder / "README.md").write_text(page(found, folder), encoding="utf-8")


def tables(found: Regime) -> dict[str, pd.DataFrame]:
    """Return the tables by their names."""
    columns = ["method", "typical", "low", "high", "rank_best", "rank_worst"]
    orders = [
        one.table[one.table["ranked"]][columns].assign(regime=name)
        for name, one in (("real", found.real), ("binned", found.binned))
    ]
    split = [found.halves.assign(regime="real"), found.halves_binned.assign(regime="binned")]
    tau = {"tau": found.tau.tau, "low": found.tau.low, "high": found.tau.high}
    return {
        "orders": pd.concat(orders, ignore_index=True),
        "tau": pd.DataFrame([{**tau, "scenes": found.real.scenes}]),
        "statements": found.statements,
        "halves": pd.concat(split, ignore_index=True),
        "components": found.components,
    }


def page(found: Regime, folder: Path = FOLDER) -> str:
    """Return the page: sentences made of the tables."""
    surroundings = jinja2.Environment(undefined=jinja2.StrictUndefined, trim_blocks=True)
    template = surroundings.from_string((folder / "README.md.jinja").read_text(encoding="utf-8"))
    statements = found.statements
    counts = statements["outcome"].value_counts()
    return template.render(
        found=found,
        headline=headline,
        counts={name: int(counts.get(name, 0)) for name in OUTCOMES},
        turned=[_turned(row) for row in statements.to_dict("records")
                if row["outcome"] == "turned over"],
        moved=_moved(found),
        needed=scenes_needed(found.halves),
        needed_binned=scenes_needed(found.halves_binned),
        split=found.halves[found.halves["how"] == "split"].tail(1).to_dict("records"),
        alike=ALIKE,
        components=found.components.to_dict("records"),
        more=_more(found.components, found.real.scenes),
    )  # fmt: skip


OUTCOMES = (
    "kept", "turned over", "only in the first", "only in the second", "not told apart",
)  # fmt: skip


def _turned(row: Mapping[str, object]) -> str:
    """Return a statement that turned over, seen from what is better at real pixels."""
    names = [row["first"], row["second"]]
    ends = [[row[f"{end}{mark}"] for end in ("advantage", "low", "high")]
            for mark in ("_first", "_second")]  # fmt: skip
    if ends[1][0] < 0:
        names, ends = names[::-1], [[-one[0], -one[2], -one[1]] for one in ends]
    binned, real = (f"{one[0]:+.1f} dB ({one[1]:+.1f} to {one[2]:+.1f})" for one in ends)
    return f"{names[0]} over {names[1]}: {binned} binned, {real} at real pixels"


def _moved(found: Regime) -> list[str]:
    """Return the methods that gain or lose two places and more, the farthest first."""
    before, after = found.binned.ranked, found.real.ranked
    apart = {name: before.index(name) - after.index(name) for name in after}
    order = sorted(apart, key=lambda name: -abs(apart[name]))
    return [
        f"{name} from place {before.index(name) + 1} to {after.index(name) + 1}"
        for name in order
        if abs(apart[name]) >= 2
    ]


def _more(components: pd.DataFrame, scenes: int) -> dict[str, float]:
    """Return how much a method's mean is blurred by the choice of scenes, stances and seeds."""
    suite = {"scenes": scenes, "stances": 2, "seeds": 1}
    changes = {
        "now": {},
        "seeds": {"seeds": 2},
        "stances": {"stances": 4},
        "scenes": {"scenes": 2 * scenes},
    }
    return {name: blur_of_mean(components, **{**suite, **to}) for name, to in changes.items()}


@plain_text()
def regime_figure(found: Regime) -> Figure:
    """Return the figure: the two orders, scenes that an order needs, and what varies."""
    figure = Figure(figsize=(13, 5), layout="constrained")
    orders, needed, shares = figure.subplots(1, 3, width_ratios=(1.5, 1.2, 1))
    names = found.real.ranked[::-1]
    for shift, (told, one) in zip((0.14, -0.14), _both(found), strict=True):
        own = one.table.set_index("method").loc[names]
        ends = [own["typical"] - own["low"], own["high"] - own["typical"]]
        places = [place + shift for place in range(len(names))]
        orders.errorbar(
            own["typical"], places, xerr=ends, fmt="o", label=told, color=_COLOURS[shift < 0]
        )
    orders.set_yticks(range(len(names)), names)
    orders.set(
        xlabel="lost in the merge, dB, with 95 % intervals", title="the same scenes, two regimes"
    )
    orders.set_ylim(-0.7, len(names) + 1.2)  # room for the legend above the first
    orders.legend(fontsize="small", loc="upper right")
    for colour, (told, table) in zip(_COLOURS, _both_halves(found), strict=True):
        drawn = table[table["how"] == "drawn"]
        needed.plot(drawn["scenes"], drawn["tau"], color=colour, label=f"{told}, drawn")
        needed.fill_between(drawn["scenes"], drawn["low"], drawn["high"], color=colour, alpha=0.12)
        split = table[table["how"] == "split"]
        needed.plot(split["scenes"], split["tau"], "o", color=colour, label=f"{told}, split")
    needed.axhline(ALIKE, color="k", linewidth=0.8, linestyle="--")
    needed.set(
        xscale="log", xlabel="scenes of each half", ylabel="Kendall's tau", title="two halves agree"
    )
    needed.legend(fontsize="small", loc="lower right")
    table = found.components
    root = table[["low", "high"]].clip(lower=0) ** 0.5
    ends = [table["spread"] - root["low"], root["high"] - table["spread"]]
    shares.bar(table["component"], table["spread"], yerr=[one.clip(lower=0) for one in ends],
               color="0.7", ecolor="0.2")  # fmt: skip
    shares.tick_params(axis="x", rotation=40)
    shares.set(ylabel="dB", title="how much each moves a method")
    return figure


def _both(found: Regime) -> tuple[tuple[str, Standings], ...]:
    return ("real pixels, whole passes", found.real), ("binned, twelve frames", found.binned)


def _both_halves(found: Regime) -> tuple[tuple[str, pd.DataFrame], ...]:
    return ("real pixels", found.halves), ("binned", found.halves_binned)


def remake_tables() -> Regime:
    """Make all but the rows, of the rows that are there."""
    found = regime(**rows_there())
    write_regime(found)
    return found


if __name__ == "__main__":
    print(f"tau {remake_tables().tau}")
