"""Spread, recycle time and misfires of a flash, from the light of each frame and the times.

The store of the flash is followed through the burst by the laws of `simulator.handling.flash`. How
much light is lost to an emptier store, and how much varies by chance, then shows in the course of
the burst. A flash that makes the camera wait tells its recycle time by how long.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np

from ...ground.types import Bools, Doubles
from ...simulator.handling.flash import refilled, seconds_to_ready
from ...simulator.handling.light import FlashUnit
from ..plan.draw.forecast import share_interval
from .estimate import Estimate, by_draws, by_ratio

Law = Literal["constant-power", "rc"]

#: Recycle times that are tried, 1 % apart: finer than any burst tells them.
_RECYCLES_S = np.geomspace(0.1, 60, 640)
#: Bursts drawn behind an interval, and recycle times drawn by their likelihood.
_DRAWN, _PICKED = 300, 4000
#: A sagging store must explain the light better than a full one by this log-likelihood.
_TELLING = 3.0
#: The camera waited where a gap is so many times as long as the shortest.
_LONGER = 1.15
#: One wait or two may have other causes.
_FEWEST_WAITS = 3
#: Stores, as shares of a full charge, are told apart from this on: times are known to a
#: millisecond.
_SAME_STORE = 2e-3


@dataclass(frozen=True, kw_only=True)
class LightFit:
    """What the light of a burst tells.

    Parameters
    ----------
    spread_stops : Estimate
        Standard deviation of the light from frame to frame, without sagging.
    recycle_s : Estimate or None
        From empty to the ready light; None where the burst does not tell.
    recycle_why : str
        What the recycle time shows in, or why it does not show.
    refill : {"constant-power", "rc"} or None
        The law of refilling that fits better; None where the burst does not tell.
    misfires : int
    misfire_share : Estimate
    misfire_below : float or None
        Store halfway between the lowest that fired and the highest that did not, as a share of a
        full charge; None without misfires.
    waited_s : float or None
        Mean time that the flash made the camera wait, of the gaps with a wait; None where it made
        none.
    """

    spread_stops: Estimate
    recycle_s: Estimate | None
    recycle_why: str
    refill: Law | None
    misfires: int
    misfire_share: Estimate
    misfire_below: float | None
    waited_s: float | None


def steady_spread(gain_stops: Doubles, advance_mm: Doubles, *, seed: int = 0) -> Estimate:
    """Return the spread of light that depends on the camera's advance alone."""
    seen = np.isfinite(gain_stops) & np.isfinite(advance_mm)
    fit = _Regression(advance_mm[seen])
    return _spread(fit, gain_stops[seen], np.random.default_rng(seed))


def fit_flash(
    unit: FlashUnit,
    *,
    times_s: Doubles,
    gain_stops: Doubles,
    advance_mm: Doubles,
    dark: Bools,
    ambient_share: float = 0.0,
    each_timed: bool = True,
    seed: int = 0,
) -> LightFit:
    """Measure a flash.

    Parameters
    ----------
    unit : FlashUnit
        Its power, its battery and whether it waits are taken from here, and the rest as a start.
    times_s : array (frames,)
    gain_stops, advance_mm : array (frames,)
        From any zero; NaN where unknown.
    dark : array (frames,) of bool
        Frames without the flash.
    ambient_share : float
        Share of the light that is not the flash's when its store is full.
    each_timed : bool
        Whether every frame has its own time; else no wait can show.
    seed : int
        Of the drawn bursts.
    """
    rng = np.random.default_rng(seed)
    seen = np.isfinite(gain_stops) & np.isfinite(advance_mm) & ~dark
    course = _Course(
        times_s=times_s,
        dark=dark,
        seen=seen,
        light=gain_stops[seen],
        level=_Regression(advance_mm[seen]),
        ambient=ambient_share,
    )
    waits = _waits(times_s) if each_timed and unit.when_not_ready == "wait" else None
    recycle = (
        _from_sag(unit, course, rng) if waits is None else _from_waits(unit, times_s, waits, rng)
    )
    store = None
    if recycle.time_s is not None:
        law = replace(unit, refill=recycle.law or unit.refill)
        store = course.stores(_recycling(law, recycle.time_s.value))
    full = np.ones(int(seen.sum())) if store is None else store[seen]
    shown = _spread(course.level, course.light - course.stops(full), rng)
    flash = float(1 - ambient_share * np.mean(2.0 ** -course.stops(full)))
    low, high = share_interval(int(dark.sum()), len(dark))
    return LightFit(
        spread_stops=Estimate(
            value=shown.value / flash, low=shown.low / flash, high=shown.high / flash
        ),
        recycle_s=recycle.time_s,
        recycle_why=recycle.why,
        refill=recycle.law,
        misfires=int(dark.sum()),
        misfire_share=Estimate(value=float(dark.mean()), low=low, high=high),
        misfire_below=_threshold(store, dark),
        waited_s=None if waits is None else float(np.mean(_waited(times_s)[waits])),
    )


@dataclass(frozen=True, kw_only=True)
class _Recycling:
    """A recycle time and the law of refilling, each None where the burst does not tell, and why."""

    time_s: Estimate | None = None
    law: Law | None = None
    why: str


@dataclass(frozen=True, kw_only=True, eq=False)
class _Course:
    """Times and light of a burst: of all frames, and of those seen."""

    times_s: Doubles
    dark: Bools
    seen: Bools
    light: Doubles
    level: _Regression
    ambient: float

    def stops(self, store: Doubles) -> Doubles:
        """Return the light at a store, in stops over that of a full store."""
        light = self.ambient + (1 - self.ambient) * store
        return np.asarray(np.log2(np.maximum(light, 1e-6)))

    def stores(self, unit: FlashUnit) -> Doubles:
        """Return the store before each frame, as a fraction of a full charge."""
        store, found = unit.initial_store, []
        gaps = np.append(np.diff(self.times_s), 0.0)
        for gap, misfire in zip(gaps, self.dark, strict=True):
            found.append(store)
            store = refilled(unit, store * (1.0 if misfire else 1 - unit.power), float(gap))
        return np.array(found)


class _Regression:
    """Least squares of the light on a level and on the camera's advance.

    A flash carried by the camera lights a subject more as it comes nearer.
    """

    def __init__(self, advance_mm: Doubles) -> None:
        design = np.stack([np.ones_like(advance_mm), advance_mm - advance_mm.mean()], axis=1)
        basis, _ = np.linalg.qr(design)
        self.basis = basis
        self.freedom = len(advance_mm) - 2

    def variance(self, light: Doubles) -> Doubles:
        """Return what is left of the light's variance, over the last axis."""
        left = light - (light @ self.basis) @ self.basis.T
        return np.asarray(np.square(left).sum(axis=-1) / self.freedom)


def _spread(fit: _Regression, light: Doubles, rng: np.random.Generator) -> Estimate:
    value = float(np.sqrt(fit.variance(light)))
    drawn = value * rng.standard_normal((_DRAWN, len(light)))
    return by_ratio(value, np.sqrt(fit.variance(drawn)))


def _from_sag(unit: FlashUnit, course: _Course, rng: np.random.Generator) -> _Recycling:
    """Return recycle time and law of refilling where the light sags."""
    light, level = course.light, course.level
    stores = {law: _tried(replace(unit, refill=law), course) for law in get_args(Law)}
    sags = {law: course.stops(store[:, course.seen]) for law, store in stores.items()}
    errors = {
        law: np.where(_possible(stores[law], course), level.variance(light - sag), np.inf)
        for law, sag in sags.items()
    }
    law: Law = min(errors, key=lambda name: float(errors[name].min()))
    best = int(errors[law].argmin())
    if not np.isfinite(errors[law][best]):
        return _Recycling(why="no recycle time explains which flashes misfired")
    least = max(float(errors[law][best]), 1e-30)
    better = len(light) / 2 * np.log(float(level.variance(light)) / least)
    if better < _TELLING:
        return _Recycling(why="the light did not sag: the flash kept up")
    if best in (0, len(_RECYCLES_S) - 1):
        return _Recycling(why="the light sags as no recycle time explains")
    likely = _likely(errors, level.freedom, rng)
    time_s = by_draws(float(_RECYCLES_S[best]), likely)
    return _Recycling(time_s=time_s, law=law, why="how the light sags")


def _likely(errors: Mapping[Law, Doubles], freedom: int, rng: np.random.Generator) -> Doubles:
    """Draw recycle times by their likelihood, under both laws: a burst may fit either."""
    variance = np.concatenate(list(errors.values()))
    weights = (variance / variance.min()) ** (-freedom / 2)
    times = rng.choice(np.tile(_RECYCLES_S, len(errors)), _PICKED, p=weights / weights.sum())
    step = np.log(_RECYCLES_S[1] / _RECYCLES_S[0])
    return np.asarray(times * np.exp(step * rng.uniform(-0.5, 0.5, _PICKED)))


def _tried(unit: FlashUnit, course: _Course) -> Doubles:
    """Return the store before each frame for every recycle time tried."""
    return np.stack([course.stores(_recycling(unit, seconds)) for seconds in _RECYCLES_S])


def _possible(stores: Doubles, course: _Course) -> Bools:
    """Mark the courses of the store in which every misfire had less than every flash."""
    if not course.dark.any() or course.dark.all():
        return np.ones(len(stores), dtype=bool)
    misfired, fired = stores[:, course.dark], stores[:, ~course.dark]
    return np.asarray(misfired.max(axis=1) < fired.min(axis=1) + _SAME_STORE)


def _from_waits(
    unit: FlashUnit, times_s: Doubles, waits: Bools, rng: np.random.Generator
) -> _Recycling:
    """Return the recycle time of a flash whose waits go from one flash to the ready light."""
    gaps_s, per_recycle = np.diff(times_s)[waits], _wait_per_recycle(unit)
    value = float(np.median(gaps_s)) / per_recycle
    drawn = np.median(rng.choice(gaps_s, (_DRAWN, len(gaps_s))), axis=1) / per_recycle
    return _Recycling(time_s=by_ratio(value, drawn), why="the waits between frames")


def _wait_per_recycle(unit: FlashUnit) -> float:
    """Return the time from one flash to the ready light, over the recycle time."""
    ready = 2.0**-unit.ready_deficit_stops
    return seconds_to_ready(_recycling(unit, 1.0), ready * (1 - unit.power))


def _waited(times_s: Doubles) -> Doubles:
    gaps = np.diff(times_s)
    return np.asarray(gaps - gaps.min())


def _waits(times_s: Doubles) -> Bools | None:
    """Mark the gaps in which the flash made the camera wait; None where there is none.

    The first wait is left out: it starts from a fuller store than the others.
    """
    gaps = np.diff(times_s)
    longer = gaps > _LONGER * gaps.min()
    if longer.sum() < _FEWEST_WAITS:
        return None
    longer[int(longer.argmax())] = False
    return np.asarray(longer)


def _recycling(unit: FlashUnit, seconds: float) -> FlashUnit:
    times = replace(unit.recycle_s, **{unit.battery: seconds})
    refill = unit.refill if unit.refill in get_args(Law) else "constant-power"
    return replace(unit, recycle_s=times, refill=refill)


def _threshold(store: Doubles | None, dark: Bools) -> float | None:
    if store is None or not dark.any() or dark.all():
        return None
    return float((store[dark].max() + store[~dark].min()) / 2)
