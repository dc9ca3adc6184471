"""Reproduction `sff-operators-2013`: 36 focus measures for shape from focus, also disturbed."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from tqdm import tqdm

from ...ground.types import Floats
from ...metrics.focus import MEASURES
from ...simulator.steps import called, side_by_side
from . import operators_claims as judged
from . import operators_report as account
from . import published
from .depth_quality import operator_rmse_mm, relative_quality
from .field import CASES
from .field_report import (
    FieldResult,
    draw_field,
    field_claims,
    field_paragraph,
    field_rows,
    measure_field,
)
from .ledger import write_claims, write_exclusions
from .report import write_rows, write_summary
from .sequences import (
    Sequence25,
    add_noise,
    latin_pairs,
    lower_contrast,
    make_sequence,
    saturate,
    to_8_bits,
)

_OVERALL_WINDOW = 7
_ROBUST_WINDOW = 9
_CAMERA_NOISE = 1.0  # grey levels: the published window test is on frames of real cameras


@dataclass(frozen=True, slots=True, eq=False)
class Sweep:
    """Errors of the robust operators over the levels of one disturbance.

    Parameters
    ----------
    name : {"window", "noise", "contrast", "saturation"}
    levels : tuple of float
    rmse_mm : list over sequences of lists over levels of mappings by operator
    """

    name: str
    levels: tuple[float, ...]
    rmse_mm: list[list[dict[str, float]]]

    def quality(self) -> list[dict[str, float]]:
        """Relative quality by level and operator, the mean over the sequences."""
        means = []
        for level in range(len(self.levels)):
            scores = [relative_quality(sequence[level]) for sequence in self.rmse_mm]
            means.append({c: float(np.mean([s[c] for s in scores])) for c in scores[0]})
        return means

    def families(self) -> dict[str, list[float]]:
        """Mean relative quality of each family's members, by level."""
        by_level = self.quality()
        return {
            family: [
                float(np.mean([q for code, q in level.items() if code.startswith(family)]))
                for level in by_level
            ]
            for family in ("sta", "lap", "gra", "wav")
        }


def errors(
    sequence: Sequence25,
    codes: Iterable[str],
    *,
    window: int,
    frames: Floats | None = None,
    stride: int = 1,
) -> dict[str, float]:
    """RMSE of the depth by each operator, mm."""
    pictures = sequence.frames if frames is None else frames
    return {
        code: operator_rmse_mm(
            pictures, sequence.focus_mm, sequence.depth_mm, code, window=window, stride=stride
        )
        for code in codes
    }


def run(out: Path, *, seed: int, quick: bool, workers: int, progress: bool) -> None:
    """Write claims, operators, sweeps and field as .csv, figure.png, field.png, summary.md."""
    size, count = (96, 2) if quick else (256, 8)
    cases = CASES[: 1 if quick else None]
    on_field = partial(measure_field, size=48 if quick else 256, seed=seed)
    on_pair = partial(_measure_pair, size=size, seed=seed)
    jobs: list[Callable[[], Any]] = [partial(on_field, case) for case in cases]  # longest first
    jobs += [partial(on_pair, surface, material) for surface, material in latin_pairs(count)]
    jobs += [partial(cone_example, size, seed)]
    made = side_by_side(called, jobs, workers=workers)
    *found, cone = tqdm(made, total=len(jobs), desc="sff-operators-2013", disable=not progress)
    field, pairs = found[: len(cases)], found[len(cases) :]
    sweeps = {
        name: Sweep(name, levels, [pair.sweeps[name] for pair in pairs])
        for name, levels in _LEVELS.items()
    }
    findings = Findings(
        [pair.overall for pair in pairs],
        [pair.strided for pair in pairs],
        sweeps,
        cone,
        speeds(frames=2 if quick else 25),  # with nothing else at work
        field,
    )
    _write(out, findings, seed=seed)


@dataclass(frozen=True, slots=True, eq=False)
class _Pair:
    """Errors on the sequence of one surface and material, mm."""

    overall: dict[str, float]
    strided: dict[str, float]
    sweeps: dict[str, list[dict[str, float]]]


def _measure_pair(surface: str, material: str, *, size: int, seed: int) -> _Pair:
    sequence = make_sequence(surface, material, size=size)
    return _Pair(
        overall=errors(sequence, MEASURES, window=_OVERALL_WINDOW),
        strided=errors(sequence, published.ROBUST, window=_OVERALL_WINDOW, stride=2),
        sweeps={
            name: [level() for level in levels]
            for name, levels in _disturbances(sequence, seed).items()
        },
    )


_LEVELS: dict[str, tuple[float, ...]] = {
    "window": published.WINDOWS,
    "noise": published.NOISE_GREY_LEVELS,
    "contrast": published.CONTRASTS,
    "saturation": published.SATURATIONS,
}


def _disturbances(
    sequence: Sequence25, seed: int
) -> dict[str, list[Callable[[], dict[str, float]]]]:
    """Jobs that work out the robust operators' errors at each level of each disturbance."""

    def job(window: int, disturb: Callable[[Floats], Floats]) -> Callable[[], dict[str, float]]:
        return lambda: errors(
            sequence, published.ROBUST, window=window, frames=disturb(sequence.frames)
        )

    def noisy(level: float) -> Callable[[Floats], Floats]:
        return lambda f: to_8_bits(add_noise(f, grey_levels=level, rng=seed)) if level else f

    return {
        "window": [job(window, noisy(_CAMERA_NOISE)) for window in published.WINDOWS],
        "noise": [job(_ROBUST_WINDOW, noisy(level)) for level in published.NOISE_GREY_LEVELS],
        "contrast": [
            job(_ROBUST_WINDOW, partial(_in_8_bits, lower_contrast, c)) for c in published.CONTRASTS
        ],
        "saturation": [
            job(_ROBUST_WINDOW, partial(_in_8_bits, saturate, s)) for s in published.SATURATIONS
        ],
    }


def _in_8_bits(disturb: Callable[[Floats, float], Floats], level: float, frames: Floats) -> Floats:
    return to_8_bits(disturb(frames, level))


def cone_example(size: int, seed: int) -> dict[str, list[float]]:
    """Quality of single operators on one cone, as in the captions of figures 8 and 11.

    Returns
    -------
    dict
        1/RMSE of WAV1 and LAP2 over windows of 7, 5 and 3 px, and of STA3 and LAP5 over the noise
        of levels 0, 1 and 2 with a window of 7 px.
    """
    sequence = make_sequence("cone", "gravel", size=size)
    found: dict[str, list[float]] = {"wav1": [], "lap2": [], "sta3": [], "lap5": []}
    for window in (7, 5, 3):
        for code, error in errors(sequence, ("wav1", "lap2"), window=window).items():
            found[code].append(1.0 / error)
    for level in published.NOISE_GREY_LEVELS[:3]:
        frames = to_8_bits(add_noise(sequence.frames, grey_levels=level, rng=seed))
        for code, error in errors(sequence, ("sta3", "lap5"), window=7, frames=frames).items():
            found[code].append(1.0 / error)
    return found


def speeds(*, frames: int, shape: tuple[int, int] = (480, 640)) -> dict[str, float]:
    """Milliseconds a frame of every operator on a stack of that many frames, window 9."""
    rng = np.random.default_rng(0)
    stack = rng.random((frames, *shape), dtype=np.float32)
    spent = {}
    for code, measure in MEASURES.items():
        start = time.perf_counter()
        for _ in measure.stream(stack, 9):
            pass
        spent[code] = 1e3 * (time.perf_counter() - start) / frames
    return spent


@dataclass(frozen=True, slots=True, eq=False)
class Findings:
    """All that was worked out: errors by operator, mm, and what the account is made of."""

    overall: list[dict[str, float]]
    strided: list[dict[str, float]]
    sweeps: dict[str, Sweep]
    cone: dict[str, list[float]]
    speed: dict[str, float]
    field: list[FieldResult]


def _write(out: Path, found: Findings, *, seed: int) -> None:
    rng = np.random.default_rng(seed)
    quality = [relative_quality(errors_mm) for errors_mm in found.overall]
    ranks = judged.correlations(quality, rng)
    field = field_claims(found.field, quality, rng)
    claims = [
        *judged.claims(quality, found.sweeps, ranks, found.speed),
        *judged.cone_claims(found.cone),
        *field,
    ]
    write_claims(out / "claims.csv", claims)
    write_rows(out / "operators.csv", account.operator_rows(found.overall, quality, found.speed))
    write_rows(out / "sweeps.csv", account.sweep_rows(found.sweeps))
    write_rows(out / "field.csv", field_rows(found.field))
    account.draw(out / "figure.png", quality, found.sweeps)
    draw_field(out / "field.png", found.field, quality)
    left_out = judged.exclusions(ranks, found.speed)
    write_exclusions(out / "exclusions.csv", left_out)
    paragraphs = account.paragraphs(claims, left_out, found.overall, found.strided)
    write_summary(
        out / "summary.md",
        "36 focus measures for shape from focus",
        [*paragraphs, field_paragraph(field)],
        f"stacktruth reproduce sff-operators-2013 --out DIR --seed {seed}",
    )
