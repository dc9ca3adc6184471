"""Whether a review is right: bursts of known focus are rendered, some with a gap, and reviewed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
from scipy import ndimage
from scipy.stats import binomtest
from tqdm import tqdm

from ...ground.types import Bools, Doubles, Floats, Indices
from ...simulator.compositing.render import view_depth
from ...simulator.handling.cadence import interval_s
from ...simulator.handling.hands import load_stance
from ...simulator.handling.light import load_light
from ...simulator.loading.scenes import load_scene
from ...simulator.optics import depth_of_field_mm
from ...simulator.rig import load_rig
from ...simulator.shooting.shoot import Shoot, shoot
from ...simulator.steps import side_by_side
from ...simulator.streams import stream
from ..calibrate.burst import Burst
from .gaps import GAP, SHARP, UNTOLD
from .review import Review, ReviewError, middles_px, review_burst

#: What is photographed, with which rigs it is, and in which hands.
_SCENES = {
    "coin": ("bellows-objective", "field-5x"),
    "cone": ("field-2x", "bellows-objective"),
    "lichen-cup": ("field-2x", "field-5x"),
    "mineral": ("field-2x", "bellows-objective"),
    "moss": ("field-2x", "field-5x"),
    "ramp": ("field-2x", "bellows-objective"),
    "snail-shell": ("field-2x", "field-5x"),
    "steps": ("field-2x", "bellows-objective"),
}
#: At 4:1 and more the sway of free hands is many times the depth that one frame holds: there is no
#: pass without a gap to compare with.
_STANCES = {
    "field-2x": ("stepped", "braced", "elbows-tucked"),
    "field-5x": ("stepped", "braced"),
    "bellows-objective": ("braced", "stepped"),
}
_LIGHT = "flash-sixteenth"
#: Middle of the sensor that is rendered, its pixels merged, and the sensor's noise.
_CROP, _BIN = (1920, 1344), 12
#: Way from frame to frame, over the depth that one frame holds, and the longest pass, likewise.
_STEP, _LONGEST = 0.4, 4.5
#: Depth without a frame, over the depth that one frame holds: least and most.
_GAPS = 0.6, 1.6
#: A burst has a gap if so much of the picture lies between the first and the last plane of focus
#: and is never sharp, and none if less than this does.
_GAP_SHARE, _NONE_SHARE = 0.03, 0.005
#: Passes that are drawn at most until one is as it should be.
_DRAWS = 40
#: Verdict on a burst that could not be drawn as it should be; it counts nowhere.
NOT_DRAWN = "not drawn"
#: A cell is never sharp if more of it is than this, and sharp if less than the other.
_MOST_OF_CELL, _LEAST_OF_CELL = 0.5, 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownPass:
    """A burst to be rendered.

    Parameters
    ----------
    number : int
        Names it, and all that is random in it.
    scene, rig, stance : str
    planted : bool
        Whether frames are left out, so that a depth is missing.
    """

    number: int
    scene: str
    rig: str
    stance: str
    planted: bool


def known_passes(count: int, *, first: int = 0) -> tuple[KnownPass, ...]:
    """Return bursts over scenes, rigs and stances; every other one has a gap.

    ``first`` is the number of the first one: bursts of other numbers have other hands.
    """
    found = []
    for number in range(first, first + count):
        pair = number // 2
        scene = list(_SCENES)[pair % len(_SCENES)]
        rig = _SCENES[scene][(pair // len(_SCENES) + number) % 2]
        stances = _STANCES[rig]
        found.append(
            KnownPass(
                number=number,
                scene=scene,
                rig=rig,
                stance=stances[(pair + pair // len(_SCENES)) % len(stances)],
                planted=bool(number % 2),
            )
        )
    return tuple(found)


def review_known(
    passes: Iterable[KnownPass], *, workers: int = 1, progress: bool = False
) -> pd.DataFrame:
    """Render, review and compare; one row for each burst.

    Returns
    -------
    DataFrame
        What was asked; ``frames``; ``true_never``, the share of the picture that lies between the
        first and the last plane of focus and is sharp in no frame; ``verdict``, which is
        `NOT_DRAWN` where no pass came out as asked, and ``judged``;
        ``told_never``, the share said to be never sharp; ``hits``, ``misses``, ``false`` and
        ``unsure``, cells; ``depth_error_mm`` and ``lane_mm``: how far off the planes of focus are
        (rms), and the depth that one frame holds.
    """
    asked = list(passes)
    found = side_by_side(_row, asked, workers=workers)
    bar = tqdm(found, total=len(asked), desc="review", unit="burst", disable=not progress)
    return pd.DataFrame(list(bar))


def trial_summary(rows: pd.DataFrame) -> pd.DataFrame:
    """Return recall and precision of 'gap here', over bursts and over parts of the picture.

    Returns
    -------
    DataFrame
        ``of``, ``hits``, ``tries``, ``share``, and ``low`` and ``high``, the 95 % interval of
        E. B. Wilson (J. Am. Stat. Assoc. 22, 209, 1927); parts of one picture go together, so
        theirs is too narrow.
    """
    rows = rows[rows["verdict"] != NOT_DRAWN]
    gap, called = rows["planted"], rows["verdict"] == "gap"
    counts = {
        "recall, bursts": (int((gap & called).sum()), int(gap.sum())),
        "precision, bursts": (int((gap & called).sum()), int(called.sum())),
        "recall, parts": (int(rows["hits"].sum()), int(rows[["hits", "misses"]].sum().sum())),
        "precision, parts": (int(rows["hits"].sum()), int(rows[["hits", "false"]].sum().sum())),
    }
    found = []
    for name, (hits, tries) in counts.items():
        interval = binomtest(hits, max(tries, 1)).proportion_ci(method="wilson")
        share = hits / tries if tries else np.nan
        found.append(
            {
                "of": name,
                "hits": hits,
                "tries": tries,
                "share": share,
                "low": interval.low,
                "high": interval.high,
            }
        )
    return pd.DataFrame(found)


def _row(known: KnownPass) -> dict[str, Any]:
    row: dict[str, Any] = asdict(known)
    drawn = _drawn(known)
    if drawn is None:
        return row | {"verdict": NOT_DRAWN, "reason": f"none of {_DRAWS} passes is as it should be"}
    shot, kept = drawn
    row["frames"] = len(kept)
    burst = burst_of(shot, kept)
    try:
        review = review_burst(burst, shot.rig, blur_um=2 * burst.pitch_um)
    except ReviewError as error:
        return row | {"verdict": "refused", "reason": str(error)}
    never = never_sharp(shot, kept, reference=int(kept[review.reference]))
    return row | {
        "true_never": float(never.mean()),
        "verdict": review.verdict,
        "judged": review.judged,
        "told_never": review.shares["never"],
        **_cells(review, never),
        "depth_error_mm": _depth_error_mm(review, shot, kept),
        "lane_mm": review.lane.total_mm,
    }


def burst_of(shot: Shoot, kept: Indices) -> Burst:
    """Render some frames of a shoot as a burst in memory."""
    return Burst(
        frames=[shot.frame(number).image for number in kept.tolist()],
        times_s=np.arange(len(kept), dtype=float),
        times_from="the simulator",
        each_timed=True,
        exposure_s=None,
        linear=False,
        pitch_um=shot.binned_rig.sensor.pitch_um,
    )


def never_sharp(shot: Shoot, kept: Indices, *, reference: int) -> Bools:
    """Return which points between the first and the last plane of focus no frame shows sharp.

    Parameters
    ----------
    shot : Shoot
    kept : array (frames,)
        Frames that there are.
    reference : int
        The frame in whose view.
    """
    blur = _least_blur_px(shot, kept, reference)
    depth = shot.truth_view(reference).layer("nearest")["depth_mm"]
    planes = np.array([shot.records[number].focus_z_mm for number in kept.tolist()])
    between = (depth > planes.min()) & (depth < planes.max())
    return np.asarray((blur > 2.0) & between)


def _least_blur_px(shot: Shoot, kept: Indices, reference: int) -> Floats:
    least = np.full(shot.camera(reference).frame.shape, np.inf, dtype=np.float32)
    for number in kept.tolist():
        if shot.records[number].usable:
            blur = shot.blur_diameter_px(number, reference=reference)
            least = np.fmin(least, blur)
    return least


def _drawn(known: KnownPass) -> tuple[Shoot, Indices] | None:
    """Draw passes until one has a gap, or none, as it should; None where none of them is."""
    for draw in range(_DRAWS):
        shot = _shot(known, seed=1000 * known.number + draw)
        every = np.arange(len(shot))
        if not known.planted:
            never = never_sharp(shot, every, reference=shot.reference)
            if never.mean() < _NONE_SHARE:
                return shot, every
            continue
        rng = stream(known.number, known.scene, "planted", draw)
        kept = _without(shot, at=rng.uniform(0.25, 0.75), width=rng.uniform(*_GAPS))
        if len(kept) < 4:
            continue
        reference = int(kept[np.abs(kept - len(shot) / 2).argmin()])
        if never_sharp(shot, kept, reference=reference).mean() > _GAP_SHARE:
            return shot, kept
    return None


def _without(shot: Shoot, *, at: float, width: float) -> Indices:
    """Return the frames that are left if those about a depth are taken out."""
    planes = np.array([record.focus_z_mm for record in shot.records])
    lane = _lane_mm(shot)
    middle = np.quantile(planes, at)
    return np.flatnonzero(np.abs(planes - middle) > (1 + width) * lane / 2)


def _lane_mm(shot: Shoot) -> float:
    return depth_of_field_mm(shot.rig, blur_um=2 * shot.binned_rig.sensor.pitch_um).total_mm


def _shot(known: KnownPass, *, seed: int) -> Shoot:
    scene, rig = load_scene(known.scene), load_rig(known.rig)
    stance, light = load_stance(known.stance), load_light(_LIGHT)
    lane = depth_of_field_mm(rig, blur_um=2 * _BIN * rig.sensor.pitch_um).total_mm
    near, middle, far = _depths_mm(known.scene, known.rig)
    length = min(far - near + lane, _LONGEST * lane)
    step = _STEP * lane
    approach = replace(
        stance.approach,
        start_mm=middle - length / 2,
        length_mm=length,
        step_mm=step,
        speed_mm_per_s=step / interval_s(light.cadence, 0),
    )
    return shoot(
        scene,
        rig,
        stance=stance,
        light=light,
        approach=approach,
        frames=int(np.ceil(length / step)) + 1,
        crop=_CROP,
        bin=_BIN,
        seed=seed,
        quality="fast",
    )


@cache
def _depths_mm(scene: str, rig: str) -> tuple[float, float, float]:
    """Return near end, middle and far end of what the picture shows."""
    seen = view_depth(load_scene(scene), load_rig(rig), crop=_CROP, bin=2 * _BIN)
    near, middle, far = np.nanquantile(seen, [0.02, 0.5, 0.98])
    return float(near), float(middle), float(far)


def _cells(review: Review, never: Bools) -> dict[str, int]:
    """Count parts that are never sharp and said to be, and so on."""
    side = review.grid.side
    row, column = middles_px(review.grid).astype(int)
    share: Doubles = ndimage.uniform_filter(never.astype(float), side)[row, column]
    state = review.held.state
    gap, sharp = share > _MOST_OF_CELL, share < _LEAST_OF_CELL
    return {
        "hits": int((gap & (state >= GAP)).sum()),
        "misses": int((gap & (state == SHARP)).sum()),
        "false": int((sharp & (state == GAP)).sum()),
        "unsure": int((gap & (state == UNTOLD)).sum()),
    }


def _depth_error_mm(review: Review, shot: Shoot, kept: Indices) -> float:
    pairs = [
        (frame.focus_mm, shot.records[number].focus_z_mm)
        for frame, number in zip(review.frames, kept.tolist(), strict=True)
        if frame.focus_mm is not None
    ]
    found, true = np.array(pairs).T
    return float(np.std(found - true))
