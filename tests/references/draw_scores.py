"""Score scenes drawn at random against Mitsuba: ``python tests/references/draw_scores.py``.

Each of so many draws is rendered by ourselves at every level and by Mitsuba twice; the scores go to
``OUT/random-scenes.csv`` and their distribution to ``OUT/random-scenes.png``. ``--keep SEED``
makes a stored case of a draw instead: a scene file beside ``cases.toml``, and a row in it.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
import tempfile
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from doc_tables import as_table, fill
from outside_cases import FOLDER, LEVELS, Case, case_of, our_picture
from path_tracer import Reference, Tracer
from scoring import PROMISES, Score, as_row, score
from stored import load, save

from stacktruth.simulator.processes import usable_cores
from stacktruth.simulator.steps import side_by_side

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "simulator"))

from random_scenes import as_toml, case_row, draw

#: Per pixel of each of the two pictures: their noises cancel in the scores.
SAMPLES = 128
_PARTS = ("overall_db", "edges_db", "worst_db")
#: References of the first draws.
DRAWS = FOLDER / "draws"


def drawn_case(seed: int) -> Case:
    """Return a draw as a case, through the product's own loader of scene files."""
    scene, row = draw(seed)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"drawn-{seed}.toml"
        path.write_text(as_toml(scene), encoding="utf-8")
        return case_of({"name": f"drawn-{seed}", **row}, path)


def reference_file(seed: int, folder: Path) -> Path:
    """Return where a draw's reference is kept: its name holds a digest of what was drawn."""
    scene, row = draw(seed)
    text = as_toml(scene) + case_row("drawn", row)
    return folder / f"{seed}-{hashlib.sha256(text.encode()).hexdigest()[:8]}.npz"


def reference_of(
    seed: int, *, variant: str, samples: int = SAMPLES, folder: Path = DRAWS, store: bool = False
) -> Reference:
    """Return a draw's reference: the stored one, or one traced afresh."""
    path = reference_file(seed, folder)
    if path.exists():
        return load(path)
    reference = Tracer(drawn_case(seed), variant=variant).reference(samples=samples)
    if store:
        folder.mkdir(parents=True, exist_ok=True)
        save(path, reference)
    return reference


def draw_scores(
    seed: int, reference: Reference, *, levels: tuple[str, ...] = tuple(LEVELS)
) -> dict[str, Score]:
    """Render a draw at some levels and compare it."""
    case = drawn_case(seed)
    return {level: score(our_picture(case, **LEVELS[level]), reference) for level in levels}


def keep(seed: int) -> None:
    """Make a stored case of a draw."""
    scene, row = draw(seed)
    name = f"drawn-{seed}"
    (FOLDER / f"{name}.toml").write_text(as_toml(scene), encoding="utf-8")
    with (FOLDER / "cases.toml").open("a", encoding="utf-8") as file:
        file.write("\n" + case_row(name, row))


def rows_of(seed: int, **how: Any) -> list[dict[str, Any]]:
    """Return a row for each level of one draw; options as of `reference_of`."""
    reference = reference_of(seed, **how)
    rows: list[dict[str, Any]] = []
    for level in LEVELS:
        # A picture that cannot be made is a row as well.
        try:
            one = draw_scores(seed, reference, levels=(level,))[level]
        except (ValueError, IndexError) as error:
            row = {"draw": seed, "level": level, "failure": str(error)}
            rows.append(row | {"holds_promise": False, "reaches_aim": False})
        else:
            rows.append({"draw": seed, **as_row(level, one), "failure": ""})
    return rows


def table_of(seeds: range, **how: Any) -> pd.DataFrame:
    """Return one row for each draw and level; options as of `reference_of`."""
    rows: list[dict[str, Any]] = []
    for found in side_by_side(partial(rows_of, **how), seeds, workers=usable_cores()):
        for row in found:
            told = row["failure"] or " / ".join(f"{row[name]:.1f}" for name in _PARTS)
            print(f"{row['draw']} {row['level']}: {told}", flush=True)
        rows += found
    return pd.DataFrame(rows)


def plot(table: pd.DataFrame, path: Path) -> None:
    """Draw the share of scenes that reach at most each score, and the promises."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    columns = {
        "overall_db": "overall",
        "edges_db": "within 5 px of edges",
        "worst_db": "worst block",
    }
    levels = list(table["level"].unique())
    figure, axes = plt.subplots(
        1, len(columns), figsize=(10, 3.2), sharey=True, layout="constrained"
    )
    for (column, title), axis, which in zip(columns.items(), axes, range(3), strict=True):
        for number, level in enumerate(levels):
            values = np.sort(table.loc[table["level"] == level, column].dropna())
            share = np.arange(1, len(values) + 1) / len(values)
            axis.step(values, share, where="post", color=f"C{number}", label=level)
            axis.axvline(PROMISES[level][which], color=f"C{number}", linestyle=":")
        axis.set(title=title, xlabel="PSNR, dB")
        axis.axhline(0.05, color="0.7", linewidth=0.8)
    axes[0].set(ylabel="share of draws", ylim=(0, 1))
    axes[0].legend(title="level (dotted: promise)", fontsize="small")
    figure.savefig(path, dpi=110)
    plt.close(figure)


def summary(table: pd.DataFrame) -> str:
    """Return, for each level, the share of draws that hold its promise, and some quantiles."""
    lines = []
    for level, rows in table.groupby("level", sort=False):
        cells = [str(level)]
        cells += [f"{int(rows[k].sum())} of {len(rows)}" for k in ("holds_promise", "reaches_aim")]
        for column in _PARTS:
            least, five, half = rows[column].quantile([0, 0.05, 0.5])
            cells.append(f"{least:.1f} / {five:.1f} / {half:.1f}")
        lines.append([*cells, str(int((rows["failure"] != "").sum()))])
    head = ["level", "hold the promise", "reach the aim", "overall: least / 5 % / median, dB"]
    return as_table([*head, "near edges", "worst block", "no picture"], lines)


def main() -> None:
    """Score draws, or keep one."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--draws", type=int, default=100)
    parser.add_argument("--first", type=int, default=0, metavar="SEED")
    parser.add_argument("--samples", type=int, default=SAMPLES)
    parser.add_argument("--variant", default="llvm_ad_rgb")
    parser.add_argument("--out", type=Path, default=Path("results/renderer"))
    parser.add_argument("--page", type=Path, help="put the summary into this page as well")
    parser.add_argument("--references", type=Path, default=DRAWS, help="stored ones are read here")
    parser.add_argument("--store", action="store_true", help="store those that are not there")
    parser.add_argument("--keep", type=int, metavar="SEED")
    asked = parser.parse_args()
    if asked.keep is not None:
        keep(asked.keep)
        return
    seeds = range(asked.first, asked.first + asked.draws)
    how = {"folder": asked.references, "store": asked.store}
    table = table_of(seeds, variant=asked.variant, samples=asked.samples, **how)
    asked.out.mkdir(parents=True, exist_ok=True)
    table.to_csv(asked.out / "random-scenes.csv", index=False)
    plot(table, asked.out / "random-scenes.png")
    print(summary(table))
    if asked.page:
        fill(asked.page, "draws", summary(table))


if __name__ == "__main__":
    main()
