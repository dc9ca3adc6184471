"""Reproduction `depth-step`: the step between frames against the error of depth from focus.

After Nayar and Nakagawa (IEEE TPAMI 16, 824, 1994), who find depth between the frames by a
Gaussian, and Subbarao and Tyan (IEEE TPAMI 20, 864, 1998), who tell the error of the peak from the
noise.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats
from tqdm import tqdm

from ...ground.types import Doubles, Floats
from ...metrics.focus.laplacian import laplacian
from ...metrics.focus.peak import parabola_offset
from ...simulator import Rig, load_rig
from ...simulator.optics import depth_of_field_mm
from ...simulator.shooting.shoot import BLUR_CRITERION_UM
from ...simulator.steps import called, side_by_side
from .depth_quality import depth_of
from .ledger import Claim, counted, write_claims
from .report import figure, save, write_rows, write_summary
from .sequences import TEXTURES
from .through_focus import card_sweep, typical_error, with_noise

RIG = "field-2x"
#: Ticks of the figure.
_AUM_TICKS = (0.03, 0.1, 0.3)
#: In depths of field of the rig.
STEPS = (0.15, 0.3, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0)
_SWEEP = 5.0
NOISES = (0.5, 2.0)  # grey levels
CODES = ("lap2", "gra6", "sta3")
KINDS = ("argmax", "parabola", "gaussian")
_WINDOW = 15
_PHASES = 4
_RIM = 16
_TRIALS = 200
_PATCH = 64


def _unit_mm(rig: Rig) -> float:
    return depth_of_field_mm(rig, blur_um=BLUR_CRITERION_UM).total_mm


def card_of(name: str, side: int) -> Floats:
    """Return the middle of a photograph as a card, 0..1."""
    picture = TEXTURES[name]().astype(np.float32) / np.float32(255.0)
    top, left = ((n - side) // 2 for n in picture.shape)
    return picture[top : top + side, left : left + side]


def step_errors(texture: str, step: float, *, side: int, seed: int) -> list[dict[str, Any]]:
    """Return bias, spread and typical error of the depth for one step, in depths of field."""
    rig, card = load_rig(RIG), card_of(texture, side)
    unit = _unit_mm(rig)
    places = np.arange(-np.ceil(_SWEEP / step), np.ceil(_SWEEP / step) + 1) * step
    rng = np.random.default_rng([seed, round(100 * step), sorted(TEXTURES).index(texture)])
    inner = (slice(_RIM, -_RIM),) * 2
    found: dict[tuple[float, str, str], list[Doubles]] = {}
    for phase in range(_PHASES):
        true = step * ((phase + 0.5) / _PHASES - 0.5)
        clean = card_sweep(card, (true - places) * unit, rig)
        for noise in NOISES:
            frames = with_noise(clean, grey_levels=noise, rng=rng)
            for code in CODES:
                for kind in KINDS:
                    depth = depth_of(frames, places, code, window=_WINDOW, kind=kind)
                    found.setdefault((noise, code, kind), []).append((depth - true)[inner])
    rows = []
    for (noise, code, kind), errors in found.items():
        bias = float(np.sqrt(np.mean([np.median(error) ** 2 for error in errors])))
        spread = float(np.mean([typical_error(error - np.median(error)) for error in errors]))
        head = {"texture": texture, "step": step, "noise_grey": noise, "measure": code}
        told = {
            "peak": kind,
            "bias": bias,
            "spread": spread,
            "error": float(np.hypot(bias, spread)),
        }
        rows.append(head | told)
    return rows


def _gradient(patch: Floats) -> Floats:
    return np.diff(patch, axis=-1)[..., :-1, :] ** 2 + np.diff(patch, axis=-2)[..., :-1] ** 2


def _squared_laplacian(patch: Floats) -> Floats:
    return np.stack([laplacian(one) for one in patch])[..., 1:-1, 1:-1] ** 2


#: The three measures of the 1998 comparison, of a whole patch.
ENERGIES: dict[str, Callable[[Floats], Floats]] = {
    "grey-level variance": lambda patch: (patch - patch.mean(axis=(-2, -1), keepdims=True)) ** 2,
    "energy of gradient": _gradient,
    "energy of Laplacian": _squared_laplacian,
}


def noise_metrics(
    texture: str, noise: float, *, seed: int, trials: int = _TRIALS
) -> list[dict[str, Any]]:
    """Return AUM and ARMS error of the three measures on one patch, in depths of field.

    AUM: how far the lens moves until the measure has fallen by its standard deviation. ARMS: root
    mean square error of a parabola through three places one depth of field apart, over trials.
    """
    rig, card = load_rig(RIG), card_of(texture, _PATCH)
    unit = _unit_mm(rig)
    rng = np.random.default_rng([seed, round(10 * noise), sorted(TEXTURES).index(texture)])
    near = np.linspace(0.0, 3.0, 121)
    clean = card_sweep(card, near * unit, rig)
    three = card_sweep(card, np.array([-1.0, 0.0, 1.0]) * unit, rig)
    rows = []
    for name, energy in ENERGIES.items():
        curve = energy(clean).mean(axis=(1, 2))
        values = np.array(
            [
                energy(with_noise(three, grey_levels=noise, rng=rng)).mean(axis=(1, 2))
                for _ in range(trials)
            ]
        )
        fallen = np.flatnonzero(curve[0] - curve >= values[:, 1].std())
        peaks = parabola_offset(*values.T)
        rows.append(
            {
                "texture": texture,
                "noise_grey": noise,
                "measure": name,
                "aum": float(near[fallen[0]]) if fallen.size else float("nan"),
                "arms": float(np.sqrt(np.mean(peaks**2))),
            }
        )
    return rows


_NOISE_LEVELS = (1.0, 3.0, 10.0, 20.0)


def run(out: Path, *, seed: int, quick: bool, workers: int, progress: bool) -> None:
    """Write claims, steps and noise as .csv, figure.png and summary.md."""
    side = 96 if quick else 256
    textures, steps = list(TEXTURES)[: 2 if quick else None], STEPS[2::3] if quick else STEPS
    jobs: list[Callable[[], Any]] = [
        partial(step_errors, name, step, side=side, seed=seed)
        for step in steps
        for name in textures
    ]
    levels = _NOISE_LEVELS[:2] if quick else _NOISE_LEVELS
    trials = 20 if quick else _TRIALS
    jobs += [
        partial(noise_metrics, name, level, seed=seed, trials=trials)
        for name in textures
        for level in levels
    ]
    made = side_by_side(called, jobs, workers=workers)
    tables = list(tqdm(made, total=len(jobs), desc="depth-step", disable=not progress))
    split = len(steps) * len(textures)
    errors = pd.DataFrame([row for table in tables[:split] for row in table])
    noisy = pd.DataFrame([row for table in tables[split:] for row in table])
    claims = [*_step_claims(errors), *_noise_claims(noisy)]
    write_claims(out / "claims.csv", claims)
    write_rows(out / "steps.csv", errors.to_dict("records"))
    write_rows(out / "noise.csv", noisy.to_dict("records"))
    _draw(out / "figure.png", errors, noisy)
    write_summary(
        out / "summary.md",
        "The step between frames and the error of depth from focus",
        [_paragraph(errors), counted(claims)],
        f"stacktruth reproduce depth-step --out DIR --seed {seed}",
    )


def _mean(errors: pd.DataFrame, column: str = "error", **chosen: object) -> Mapping[float, float]:
    """Return the mean of a column over textures, noises and measures, by step."""
    for name, value in chosen.items():
        errors = errors[errors[name] == value]
    return errors.groupby("step")[column].mean().to_dict()


def _listed(values: Mapping[float, float]) -> str:
    return ", ".join(f"{value:.3f} at {step:g}" for step, value in values.items())


def _paragraph(errors: pd.DataFrame) -> str:
    fitted = _mean(errors, peak="gaussian")
    best = min(fitted, key=lambda step: fitted[step])
    return (
        "Photographs as flat cards through focus at 2:1, by the exact transfer function of a clear "
        f"pupil and the pixel, {_PHASES} true depths within a step, noise of "
        f"{' and '.join(f'{n:g}' for n in NOISES)} grey levels, windows of {_WINDOW} px; all "
        f"lengths in depths of field. Typical error of the Gaussian peak: {_listed(fitted)}; least "
        f"at {best:g}. Without a fit: {_listed(_mean(errors, peak='argmax'))}. What could not be "
        "had: the frames of both publications, the table of depths of the first, and the formula "
        "of the 1998 paper for the error, which its abstract only names; so the error of the peak "
        "is of trials here, and statements are those of the abstracts."
    )


def _step_claims(errors: pd.DataFrame) -> list[Claim]:
    plain, fitted = _mean(errors, peak="argmax"), _mean(errors, peak="gaussian")
    bent = _mean(errors, peak="parabola")
    better = {step: fitted[step] < plain[step] for step in fitted}
    steps = sorted(fitted)
    best = min(fitted, key=lambda step: fitted[step])
    most_bias = _mean(errors, "bias", peak="gaussian")
    return [
        Claim(
            claim="a Gaussian through three focus values finds depth finer than the step",
            published="depth by interpolating a few focus values, more accurate than the frame "
            "of the largest",
            ours=f"Gaussian: {_listed(fitted)}; frame of the largest: {_listed(plain)}",
            strict=all(better.values()),
            strict_rule="a smaller typical error at every step tried",
            lenient=all(better[step] for step in steps if 0.5 <= step <= 1.5),
            lenient_rule="at steps of 0.5 to 1.5 depths of field",
            why="the publication names no step; at finer ones three neighbours drown in the noise",
            source="Nayar and Nakagawa 1994, abstract",
            ledger="published",
        ),
        Claim(
            claim="too few frames make depth worse",
            published="the step sets the number of frames, and too few degrade depth",
            ours=f"Gaussian: {_listed(fitted)}",
            strict=fitted[steps[-1]] > fitted[best] and steps[-1] != best,
            strict_rule="the widest step has a larger error than the best one",
            source="arXiv 2604.01603, on the number of frames of a focal stack",
            ledger="published",
        ),
        Claim(
            claim="the best step lies between the finest and the widest",
            published="from the fit alone, samples are best 1 to 1.25 widths of the curve apart",
            ours=f"least at {best:g} depths of field",
            strict=best not in (steps[0], steps[-1]),
            strict_rule="an inner step has the least error of the Gaussian peak",
            source="worked out, see peak-interpolation",
        ),
        Claim(
            claim="the Gaussian peak is no worse than the parabola at every step",
            published="exact on a Gaussian curve, where the parabola is not",
            ours=f"Gaussian: {_listed(fitted)}; parabola: {_listed(bent)}",
            strict=all(fitted[step] <= bent[step] for step in steps),
            strict_rule="a typical error no larger",
            source="worked out, see peak-interpolation",
        ),
        Claim(
            claim="the bias of the peak grows with the step",
            published="to be expected: fewer samples on the curve",
            ours=f"bias: {_listed(most_bias)}",
            strict=most_bias[steps[-1]] > most_bias[steps[0]],
            strict_rule="larger at the widest step than at the finest",
            source="worked out, see peak-interpolation",
        ),
    ]


def _noise_claims(noisy: pd.DataFrame) -> list[Claim]:
    known = noisy.dropna()
    rank = float(stats.spearmanr(known["aum"], known["arms"]).statistic)
    within = [
        float(stats.spearmanr(part["aum"], part["arms"]).statistic)
        for _, part in known.groupby("measure")
    ]
    best = {
        str(texture): str(part.groupby("measure")["arms"].mean().idxmin())
        for texture, part in noisy.groupby("texture")
    }
    wins = sum(name == "energy of Laplacian" for name in best.values())
    listed = "; ".join(f"{texture}: {name}" for texture, name in best.items())
    return [
        Claim(
            claim="AUM and ARMS error are related by a monotonic expression",
            published="related by a monotonic expression",
            ours=f"Spearman {rank:.3f} over {len(known)} patches, noises and measures; within a "
            f"measure {', '.join(f'{value:.3f}' for value in within)}",
            strict=rank > 0.999,
            strict_rule="one order of all (Spearman 1)",
            lenient=min(within) >= 0.9,
            lenient_rule="Spearman of 0.9 or more within each measure",
            why="both are estimated from trials here, and the expression may hold for one measure",
            source="Subbarao and Tyan 1998, abstract",
            ledger="published",
        ),
        Claim(
            claim="the most accurate measure may change from one object to another",
            published="the optimally accurate focus measure may change with the object",
            ours=f"least ARMS error on {listed}",
            strict=len(set(best.values())) > 1,
            strict_rule="not the same measure on all photographs",
            source="Subbarao and Tyan 1998, abstract",
            ledger="published",
        ),
        Claim(
            claim="the analysis of noise favours the Laplacian",
            published="their analysis favours the Laplacian, as a later comparison reports it",
            ours=f"the energy of Laplacian has the least ARMS error on {wins} of {len(best)}",
            strict=wins == len(best),
            strict_rule="on every photograph",
            lenient=wins > len(best) / 2,
            lenient_rule="on most photographs",
            why="the publication itself says that the best measure changes with the object",
            source="Pertuz, Puig and Garcia 2013, on Subbarao and Tyan 1998",
            ledger="published",
        ),
    ]


def _draw(path: Path, errors: pd.DataFrame, noisy: pd.DataFrame) -> None:
    sheet, (left, right) = figure(10.5, 4.4, 1, 2)
    for kind, colour in zip(KINDS, ("#6B6B6B", "#D55E00", "#0072B2"), strict=True):
        for noise, style in zip(NOISES, ("-", "--"), strict=True):
            found = _mean(errors, peak=kind, noise_grey=noise)
            label = f"{kind}, noise {noise:g}"
            left.loglog(list(found), list(found.values()), style, color=colour, label=label)
    left.set(xlabel="step (depths of field)", ylabel="typical error (depths of field)")
    left.set_xticks(STEPS, [f"{step:g}" for step in STEPS])
    left.minorticks_off()
    left.set_title("Error of depth against the step", loc="left", fontsize=10)
    left.legend(frameon=False, fontsize=7)
    for name, colour in zip(ENERGIES, ("#0072B2", "#009E73", "#D55E00"), strict=True):
        part = noisy[noisy["measure"] == name]
        right.loglog(part["aum"], part["arms"], "o", color=colour, label=name)
    right.set(xlabel="AUM (depths of field)", ylabel="ARMS error (depths of field)")
    right.set_xticks(_AUM_TICKS, [f"{tick:g}" for tick in _AUM_TICKS])
    right.minorticks_off()
    right.set_title("Two measures of what noise does to the peak", loc="left", fontsize=10)
    right.legend(frameon=False, fontsize=7)
    save(sheet, path)
