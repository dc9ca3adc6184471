"""Reproduction `fusion-metrics`: how well metrics that need no truth rank merges as the truth does.

Every metric of `metrics.fusion` scores the result of every method on stacks whose truth is known,
and its order of the methods is held against the order by the truth. The best possible merge of the
frames is scored too: a metric that puts it below another merge cannot be trusted with the rest.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy import stats
from tqdm import tqdm

from ...ground.litter import temporary_folder
from ...ground.srgb import LUMA, clipped_srgb
from ...ground.types import Bools, Floats
from ...metrics import METRICS as ALL_METRICS
from ...metrics.fusion import METRICS, score_fusion
from ...simulator import Shoot
from ...simulator.shooting.truth import Truth
from ...simulator.stack.stackio import read_stack
from ...simulator.stack.stackwrite import write_stack
from ...simulator.steps import side_by_side
from ..bench.grid.cells import stacks_of
from ..bench.grid.suite import load_suite
from ..bench.ranking.interval import typical
from ..demo.demo import STACKS, shoot_of
from ..isolate.run import find_method
from ..judge.scoring import Judge, Scored
from ..judge.true_stages import StackTruth
from .field import lined_up_frames
from .ledger import Claim, counted, write_claims
from .report import figure, save, write_rows, write_summary

Rows = list[dict[str, object]]

#: Suite whose plain stacks are merged.
SUITE = "binned"
MERGES = (
    "middle-frame", "mean", "random-choice", "laplacian-pyramid", "match-salience", "wavelet",
    "complex-wavelet", "dct-variance", "guided-filter", "contrast-weighted", "focus-map",
    "focus-map-guided",
)  # fmt: skip
TRUTHS = ("psnr_db", "ssim", "ciede2000_mean")
_FEW = 0.1  # share of merges above the best that still counts as none


@dataclass(frozen=True, slots=True)
class StackScores:
    """What the metrics make of one stack.

    Parameters
    ----------
    name, scene : str
    free : dict
        By method, the value of each truth-free metric.
    best : dict
        By method, the same for the best possible merge in the view of that method's result.
    truth : dict
        By method, the scores against the ideal picture.
    """

    name: str
    scene: str
    free: dict[str, dict[str, float]]
    best: dict[str, dict[str, float]]
    truth: dict[str, dict[str, float]]

    def tau(self, metric: str, truth: str) -> float:
        """Kendall's rank correlation of the methods' orders, each with better first."""
        methods = list(self.truth)
        wanted = [_goodness(truth, self.truth[m][truth]) for m in methods]
        got = [_goodness(metric, self.free[m][metric]) for m in methods]
        return float(stats.kendalltau(wanted, got).statistic)

    def beaten(self, metric: str) -> float:
        """Share of the merges that score above the best possible one in the same view."""
        better = ALL_METRICS[metric].better
        return float(
            np.mean([better(self.free[m][metric], self.best[m][metric]) for m in self.truth])
        )


def _goodness(metric: str, value: float) -> float:
    """Turn a value so that larger is better."""
    record = ALL_METRICS[metric]
    if record.direction == "higher":
        return value
    return -value if record.direction == "lower" else -abs(value - record.best)


def planned(*, quick: bool) -> list[Shoot]:
    """Return the shoots of the suite without conditions, and those of the demo."""
    suite = replace(load_suite(SUITE), ladders=())
    if quick:
        suite = replace(
            suite, scenes=("snail-shell", "sticky-leaf"), seeds=(1,), frames=6, crop=(768, 512)
        )
    shoots = [spec.shoot for spec in stacks_of(suite)]
    return shoots if quick else shoots + [shoot_of(asked) for asked in STACKS]


def score_shoot(shooting: Shoot, methods: Sequence[str]) -> StackScores:
    """Merge a stack by every method and score the results with and without the truth."""
    with temporary_folder("fusion") as folder:
        stack = read_stack(write_stack(shooting, folder / "stack", progress=False))
        judge = Judge(stack, artefacts=False)
        scene = shooting.scene.name
        name = f"{scene}, {shooting.stance.name}, seed {shooting.seed}"
        found = StackScores(name, scene, {}, {}, {})
        views: dict[int, _LinedUp] = {}
        for method in methods:
            scored = judge.run(find_method(method))
            if scored.image is None or scored.truth is None:
                continue
            reference = scored.truth.reference
            if reference not in views:
                views[reference] = _LinedUp.of(shooting, scored.truth, stack.frames)
            view = views[reference]
            found.truth[method] = _truth_scores(scored)
            found.free[method] = view.score(scored.image @ LUMA)
            found.best[method] = view.best
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _LinedUp:
    """The frames lined up with one view, evened, and the best merge's scores in it."""

    frames: list[Floats]
    valid: Bools
    best: dict[str, float]

    @classmethod
    def of(cls, shooting: Shoot, truth: Truth, pictures: Sequence[npt.NDArray]) -> _LinedUp:
        frames, _ = lined_up_frames(StackTruth(shooting, truth, pictures))
        valid = truth.mask("valid")
        best = clipped_srgb(truth.achievable) @ LUMA
        return cls(frames, valid, score_fusion(best, frames, data_range=1.0, mask=valid))

    def score(self, fused: Floats) -> dict[str, float]:
        return score_fusion(fused, self.frames, data_range=1.0, mask=self.valid)


def _truth_scores(scored: Scored) -> dict[str, float]:
    return {name: float(scored.row[f"total.{name}"]) for name in TRUTHS}


def run(out: Path, *, seed: int, quick: bool, workers: int, progress: bool) -> None:
    """Write claims.csv, taus.csv, scores.csv, figure.png and summary.md."""
    shoots = planned(quick=quick)
    methods = MERGES[:4] if quick else MERGES
    scored = side_by_side(partial(score_shoot, methods=methods), shoots, workers=workers)
    bar = tqdm(scored, desc="fusion-metrics", total=len(shoots), disable=not progress)
    found = list(bar)
    taus = [_row(metric.name, found) for metric in METRICS]
    claims = _claims(taus, len(found))
    write_claims(out / "claims.csv", claims)
    write_rows(out / "taus.csv", taus)
    write_rows(out / "scores.csv", _score_rows(found))
    _draw(out / "figure.png", taus, len(found))
    write_summary(
        out / "summary.md",
        "Do metrics that need no truth rank merges as the truth does?",
        [_paragraph(taus, found), counted(claims)],
        f"stacktruth reproduce fusion-metrics --out DIR --seed {seed}",
    )


def _row(metric: str, found: Sequence[StackScores]) -> dict[str, object]:
    """Typical correlation with each truth, with its interval over scenes."""
    row: dict[str, object] = {"metric": metric, "title": ALL_METRICS[metric].title}
    scenes = sorted({stack.scene for stack in found})
    for truth in TRUTHS:
        values = [
            float(np.mean([stack.tau(metric, truth) for stack in found if stack.scene == scene]))
            for scene in scenes
        ]
        over = typical(values)
        row[f"tau_{truth}"] = over.typical
        row[f"low_{truth}"], row[f"high_{truth}"] = over.low, over.high
    row["above_best"] = float(np.mean([stack.beaten(metric) for stack in found]))
    return row


def _score_rows(found: Sequence[StackScores]) -> Rows:
    return [
        {"stack": stack.name, "method": method, **stack.truth[method], **values}
        | {f"best_merge.{name}": value for name, value in stack.best[method].items()}
        for stack in found
        for method, values in stack.free.items()
    ]


def _number(row: Mapping[str, object], key: str) -> float:
    return float(str(row[key]))


def _claims(taus: Rows, count: int) -> list[Claim]:
    by_name = {str(row["metric"]): row for row in taus}
    information, edges = by_name["mutual_information"], by_name["edge_transfer"]
    weighted = by_name["piella_weighted"]
    return [
        Claim(
            claim=f"{row['title']} puts nothing above the best possible merge",
            published=toy,
            ours=f"{100 * _number(row, 'above_best'):.0f} % of the merges on {count} stacks are "
            "above",
            strict=(_number(row, "above_best") < _FEW) == expected,
            strict_rule=f"{'less' if expected else 'more'} than {100 * _FEW:.0f} % above, as in "
            "the toy",
            source="our two-frame toy on four photographs",
        )
        for row, toy, expected in (
            (information, "no: one frame handed back is above it on 4 of 4 images", False),
            (edges, "yes: nothing is above it on 4 of 4 images", True),
            (weighted, "yes: nothing is above it on 4 of 4 images", True),
        )
    ]


def _paragraph(taus: Rows, found: Sequence[StackScores]) -> str:
    order = sorted(taus, key=lambda row: -_number(row, "tau_psnr_db"))
    listed = ", ".join(
        f"{row['title']} {_number(row, 'tau_psnr_db'):.2f} "
        f"[{_number(row, 'low_psnr_db'):.2f}, {_number(row, 'high_psnr_db'):.2f}]"
        for row in order
    )
    methods = max(len(stack.truth) for stack in found)
    return (
        f"{methods} methods on {len(found)} hand-held stacks of {len({s.scene for s in found})} "
        "scenes: the binned suite's without conditions, and the demo's. Each metric "
        "ranks the results against the frames they were made from, lined up by their true motion "
        "and evened by their true light; the truth ranks them by PSNR against the scene all in "
        "focus. Kendall's tau, typical of the scenes with its 95 % interval over scenes: "
        f"{listed}. A value of 1 is the same order, 0 is chance. taus.csv has the same for SSIM "
        "and the colour difference, and the share of merges that a metric puts above the best "
        "possible one in the same view: differences among good merges are small, and a metric that "
        "cannot tell the best from the good can still tell the good from the bad. All metrics take "
        "any number of frames, where the printed formulas are of two; edge transfer Q^AB/F also "
        "takes orientations modulo half a turn, up to 0.019 from its printed formula."
    )


def _draw(path: Path, taus: Rows, count: int) -> None:
    order = sorted(taus, key=lambda row: _number(row, "tau_psnr_db"))
    sheet, (left, right) = figure(11.0, 4.8, 1, 2)
    place = np.arange(len(order))
    shades = {"psnr_db": ("#0072B2", "PSNR", 0.18), "ssim": ("#D55E00", "SSIM", 0.0)}
    shades["ciede2000_mean"] = ("#009E73", "colour difference", -0.18)
    for truth, (colour, label, shift) in shades.items():
        middle = np.array([_number(row, f"tau_{truth}") for row in order])
        low = middle - [_number(row, f"low_{truth}") for row in order]
        high = [_number(row, f"high_{truth}") for row in order] - middle
        left.errorbar(middle, place + shift, xerr=[low, high], fmt="o", color=colour, label=label)
    left.axvline(0.0, color="0.4", linewidth=0.8)
    left.set_yticks(place, [str(row["title"]) for row in order], fontsize=8)
    left.set(xlim=(-1.05, 1.05), xlabel="Kendall's tau with the order by the truth (1: the same)")
    left.set_title(f"Order of the methods, {count} stacks, 95 %", loc="left", fontsize=10)
    left.legend(frameon=False, fontsize=8, loc="lower right")
    right.barh(place, [100 * _number(row, "above_best") for row in order], color="0.6", height=0.6)
    right.set_yticks(place, [""] * len(order))
    right.set(xlim=(0, 100), xlabel="merges (%, less is better)")
    right.set_title("Put above the best possible merge", loc="left", fontsize=10)
    save(sheet, path)
