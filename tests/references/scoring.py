"""How far our pictures are from the outside renderer's: ``python tests/references/scoring.py``.

The mean squared error is the mean of (ours - first) x (ours - second): the noises of the two
pictures are independent, so they cancel in the mean and leave our own error. What is left of them
is the floor: an error below it cannot be told from none. Light above white counts as white, as
a sensor holds it; the few pixels of which the noise does not tell whether they are white count as
right.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from doc_tables import as_table, fill
from outside_cases import FOLDER, LEVELS, cases, clear_cases, mesh_cases, our_picture
from path_tracer import Reference
from scipy import ndimage
from stored import load

from stacktruth.simulator.compositing.levels import LEVELS as QUALITIES
from stacktruth.simulator.processes import usable_cores
from stacktruth.simulator.steps import side_by_side

Doubles = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]

BLOCK_PX = 16
#: What each level promises: overall, near edges and in the worst block, dB.
PROMISES = {name: level.holds_db for name, level in QUALITIES.items()}
#: What each level aims at.
AIMS = {"fast": (44, 38, 30), "true": (48, 42, 34), "exact": (55, 50, 42)}
#: The scores that were last measured.
PUBLISHED = FOLDER.parents[2] / "results" / "renderer" / "cases.csv"
#: Less noise than this moves nothing across white, light units.
_UNSURE = 0.005
_SCORES = ("overall_db", "edges_db", "worst_db")
_FLOORS = ("floor_db", "edges_floor_db", "worst_floor_db")
#: A squared error that is none.
_NOTHING = 1e-12
#: The floor is this many standard errors of a mean product of two noises.
_ERRORS = 2.0


@dataclass(frozen=True)
class Score:
    """Peak signal-to-noise ratios, dB, with 1 as the peak.

    Parameters
    ----------
    overall_db, edges_db, worst_db : float
        Of the picture, of what is near an occluding edge (NaN: there is none), and of the worst
        block of BLOCK_PX x BLOCK_PX pixels. Never above their floors.
    floor_db, edges_floor_db, worst_floor_db : float
        What the reference's noise lets be told.
    worst_at : (row, col)
        First pixel of the worst block.
    """

    overall_db: float
    edges_db: float
    worst_db: float
    floor_db: float
    edges_floor_db: float
    worst_floor_db: float
    worst_at: tuple[int, int]


def score(ours: Floats, reference: Reference) -> Score:
    """Compare a picture (rows, cols, 3) with its reference."""
    first, second = (np.minimum(one, 1.0) for one in (reference.first, reference.second))
    ours = np.minimum(ours, 1.0)
    told = _told(reference)
    product = told * ((ours - first) * (ours - second)).mean(axis=2, dtype=np.float64)
    # Half the squared difference is a picture's variance; the three colours share their noise.
    variance = told * np.square(first - second).mean(axis=2, dtype=np.float64) / 2
    fourth = np.square(ndimage.uniform_filter(variance, 5))
    everywhere = np.ones(product.shape, bool)
    overall, floor = _of(product, fourth, everywhere)
    edges, edges_floor = _of(product, fourth, reference.near_edge)
    blocks = _blocks(product)
    at = np.unravel_index(blocks.argmax(), blocks.shape)
    # One in some hundred blocks is three standard errors off by chance.
    block_error = 1.5 * _ERRORS * np.sqrt(_blocks(fourth)[at]) / BLOCK_PX
    worst = max(blocks[at], block_error)
    return Score(
        *(_db(value) for value in (overall, edges, worst, floor, edges_floor, block_error)),
        worst_at=(int(at[0]) * BLOCK_PX, int(at[1]) * BLOCK_PX),
    )


def _told(reference: Reference) -> Doubles:
    """Return 1 where a pixel is surely white or surely not, 0 where the noise does not tell.

    There the mean of what is cut off at white is not the mean cut off, so products would be off.
    """
    spread = np.square(reference.first - reference.second) / 2
    deviation = np.sqrt(ndimage.uniform_filter(spread, (3, 3, 1)))
    unsure = np.abs(reference.mean - 1) < _ERRORS * deviation
    return 1.0 - (unsure & (deviation > _UNSURE)).any(axis=2)


def _of(product: Doubles, fourth: Doubles, where: npt.NDArray[np.bool_]) -> tuple[float, float]:
    """Return the mean product in a region, and its floor; NaN in an empty one."""
    count = int(where.sum())
    if count == 0:
        return np.nan, np.nan
    floor = _ERRORS * np.sqrt(fourth[where].sum()) / count
    return max(float(product[where].mean()), floor), floor


def _blocks(values: Doubles) -> Doubles:
    """Return the means over whole blocks."""
    rows, cols = (n // BLOCK_PX for n in values.shape)
    whole = values[: rows * BLOCK_PX, : cols * BLOCK_PX]
    return whole.reshape(rows, BLOCK_PX, cols, BLOCK_PX).mean(axis=(1, 3))


def _db(energy: float) -> float:
    return float(-10 * np.log10(max(energy, _NOTHING)))


def held(one: Score, wanted_db: tuple[float, float, float]) -> bool:
    """Say whether a score is as high as wanted, or as high as the noise lets be told."""
    told = ((one.overall_db, one.floor_db), (one.edges_db, one.edges_floor_db))
    told += ((one.worst_db, one.worst_floor_db),)
    return all(
        np.isnan(got) or got >= min(wanted, floor)
        for (got, floor), wanted in zip(told, wanted_db, strict=True)
    )


def row(name: str, scores: dict[str, Score]) -> str:
    """Return a line of the table: overall / edges / worst block of each level, then the floors."""
    cells = [f"{name:22s}"]
    for one in scores.values():
        cells.append(f"{_cell(one.overall_db, one.edges_db, one.worst_db)} @{one.worst_at!s:10s}")
    some = next(iter(scores.values()))
    cells.append(_cell(some.floor_db, some.edges_floor_db, some.worst_floor_db))
    return " | ".join(cells)


def as_row(level: str, one: Score) -> dict[str, Any]:
    """Return a score as a row of a table, to hundredths of a decibel."""
    values = {k: round(v, 2) if isinstance(v, float) else v for k, v in asdict(one).items()}
    return {
        "level": level,
        **values,
        "worst_at": "{} {}".format(*one.worst_at),
        "holds_promise": held(one, PROMISES[level]),
        "reaches_aim": held(one, AIMS[level]),
    }


def cases_table(rows: list[dict[str, Any]]) -> str:
    """Return the scores of all cases as a table of a documentation page."""
    levels = list(dict.fromkeys(row["level"] for row in rows))
    lines = []
    for name in dict.fromkeys(row["case"] for row in rows):
        ours = {row["level"]: row for row in rows if row["case"] == name}
        cells = [
            _cell(*(ours[level][key] for key in _SCORES)) if level in ours else "no picture"
            for level in levels
        ]
        floors = (next(iter(ours.values()))[key] for key in _FLOORS)
        lines.append([f"`{name}`", *cells, _cell(*floors)])
    wanted = [
        [f"*{word}*", *(_cell(*table[level]) for level in levels), ""]
        for word, table in (("promised", PROMISES), ("aimed at", AIMS))
    ]
    return as_table(["case", *levels, "told up to"], [*wanted, *lines])


def _cell(*values: float) -> str:
    return " / ".join("   -" if np.isnan(value) else f"{value:4.1f}" for value in values)


def scored(name: str, levels: Iterable[str]) -> dict[str, Score]:
    """Render a stored case at each level and compare it."""
    case = (cases() | clear_cases()).get(name) or mesh_cases()[name]
    reference = load(FOLDER / f"{name}.npz")
    return {level: score(our_picture(case, **LEVELS[level]), reference) for level in levels}


def attempt(job: tuple[str, str]) -> Score | str:
    """Score a stored case at one level; a picture that cannot be made is told by its error."""
    name, level = job
    try:
        return scored(name, [level])[level]
    except (ValueError, IndexError) as error:
        return str(error)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("names", nargs="*", metavar="NAME", help="cases; all unless named")
    parser.add_argument("--csv", type=Path, help="write the scores there as well")
    parser.add_argument("--page", type=Path, help="put the table into this page as well")
    parser.add_argument("--levels", nargs="*", choices=LEVELS, default=list(LEVELS))
    asked = parser.parse_args()
    head = [f"{'case':22s}"]
    head += [f"{level + ': all / edges / worst @':32s}" for level in asked.levels]
    print(" | ".join([*head, "floor"]))
    rows: list[dict[str, Any]] = []
    jobs = [(name, level) for name in asked.names or cases() for level in asked.levels]
    found = side_by_side(attempt, jobs, workers=usable_cores())
    for name, group in groupby(zip(jobs, found, strict=True), key=lambda pair: pair[0][0]):
        scores = {}
        for (_, level), one in group:
            if isinstance(one, str):
                print(f"{name:22s} | {level} failed: {one}", flush=True)
            else:
                scores[level] = one
        if scores:
            print(row(name, scores), flush=True)
            rows += [{"case": name, **as_row(level, one)} for level, one in scores.items()]
    if asked.page:
        fill(asked.page, "cases", cases_table(rows))
    if asked.csv:
        asked.csv.parent.mkdir(parents=True, exist_ok=True)
        pd.DataFrame(rows).to_csv(asked.csv, index=False)


if __name__ == "__main__":
    main()
