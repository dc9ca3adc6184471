"""Heights that are worked out once on a fine grid: a coin, crystals.

Each is drawn on a square raster when it is first asked for; a quadratic spline between the points
keeps its slope continuous. Beyond the raster the edge's height goes on.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any, Literal, NamedTuple

import numpy as np
from pydantic import Field
from pydantic.dataclasses import dataclass
from scipy.ndimage import gaussian_filter, spline_filter

from ....ground.arrays import clip, single
from ....ground.types import Doubles, Floats
from ...rig import STRICT
from ..pattern import tiles
from .gauges import Gauge, bounds_mm, gauge, max_slope

_SIDE = 1024
_STEPS = 1020  # the rest is margin, so that no point asks beyond the raster


class Casting(NamedTuple):
    """A finished raster: spline coefficients, half its side, and what is known of the heights."""

    tile: Floats
    half_mm: float
    low_mm: float
    high_mm: float
    slope: float


def drawn(draw: Callable[[Doubles, Doubles], Doubles], half_mm: float, soft_mm: float) -> Casting:
    """Draw heights on a raster and take off what is too sharp for it.

    Parameters
    ----------
    draw : callable
        Takes x, y (mm), shape (n, n); returns heights (mm).
    half_mm : float
        Half the side of the raster.
    soft_mm : float
        Deviation of the bell that rounds edges off.
    """
    step = 2 * half_mm / _STEPS
    line = (np.arange(_SIDE) - (_SIDE - 1) / 2) * step
    x, y = np.meshgrid(line, line)
    height = gaussian_filter(draw(x, y), max(soft_mm / step, 0.5), mode="nearest")
    gy, gx = np.gradient(height, step)
    # Between points the spline may exceed differences and extremes by a little.
    slope = 1.1 * float(np.hypot(gx, gy).max())
    margin = 0.02 * float(np.ptp(height)) + 1e-6
    coefficients = spline_filter(height, order=2, mode="nearest", output=np.float32)
    tile = np.pad(coefficients, ((0, 2), (0, 2)), mode="edge")
    low, high = float(height.min()) - margin, float(height.max()) + margin
    return Casting(tile, half_mm, low, high, slope)


def height_of(casting: Casting) -> Gauge:
    """Return the function from points to heights."""
    half = single(casting.half_mm)
    size = single(2 * casting.half_mm * _SIDE / _STEPS)
    start = single((_SIDE - 1) / 2 / _SIDE)

    def look(x: Floats, y: Floats) -> Floats:
        u = clip(x, -half, half) / size + start
        v = clip(y, -half, half) / size + start
        return tiles.look_up_smooth(casting.tile, u, v)

    return look


# -- coin --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Coin:
    """A token struck with our own motif: a branch with leaves, a ring of beads, a raised rim.

    Parameters
    ----------
    radius_mm : float
        Of the whole token.
    relief_mm : float
        Height of the motif and the rim over the field.
    beads : int
        Number of beads along the rim.
    wear_mm : float
        How far edges are rounded off.
    motif : int
        Another number, another branch: how many leaves and berries, and how they stand.
    """

    radius_mm: float = Field(default=10.0, gt=0)
    relief_mm: float = Field(default=0.3, gt=0)
    beads: int = Field(default=84, ge=8, le=400)
    wear_mm: float = Field(default=0.035, gt=0)
    motif: int = Field(default=0, ge=0)
    kind: Literal["coin"] = "coin"


# Leaves of the motif in parts of the radius: base x, base y, direction (deg), length, width.
_LEAVES = (
    (-0.02, -0.10, -90, 0.60, 0.22),
    (-0.04, 0.04, -140, 0.56, 0.20),
    (0.00, 0.06, -42, 0.56, 0.20),
    (-0.03, 0.24, -164, 0.54, 0.19),
    (0.02, 0.26, -18, 0.54, 0.19),
    (-0.02, 0.44, 174, 0.44, 0.15),
    (0.03, 0.46, 4, 0.44, 0.15),
)
_BERRIES = (
    (-0.40, -0.50),
    (0.40, -0.50),
    (0.48, -0.41),
    (-0.48, -0.41),
    (0.47, -0.54),
    (-0.47, -0.54),
)


def _motif(number: int) -> tuple[tuple[tuple[float, ...], ...], tuple[tuple[float, float], ...]]:
    """Return leaves and berries; 0 is the branch above, others are drawn."""
    if number == 0:
        return _LEAVES, _BERRIES
    rng = np.random.default_rng([43, number])
    pairs, lean = int(rng.integers(2, 6)), rng.uniform(15, 60)
    long, wide = rng.uniform(0.34, 0.6), rng.uniform(0.12, 0.24)
    leaves = [(-0.02, -0.1, -90 + rng.uniform(-10, 10), rng.uniform(0.4, 0.62), wide)]
    for step in range(pairs):
        at = -0.05 + 0.62 * (step + rng.uniform(0, 0.4)) / pairs
        size = long * (1 - 0.3 * step / pairs)
        for side in (-1, 1):
            turn = -90 + side * (lean + 50 * step / pairs + rng.uniform(-6, 6))
            leaves.append((0.03 * side, at, turn, size, wide))
    corners = rng.uniform(0.2, 0.62, (int(rng.integers(0, 7)), 2))
    berries = [(side * x, -0.1 - y) for x, y in corners if x + y < 0.75 for side in (-1, 1)]
    return tuple(leaves), tuple(berries)


def _draw_coin(coin: Coin, x: Doubles, y: Doubles) -> Doubles:
    u, v = x / coin.radius_mm, y / coin.radius_mm
    radius = np.hypot(u, v)
    height = 0.55 * _swell(
        0.028 - np.hypot(u - 0.05 * (v - 0.3) ** 2, np.maximum(v - 0.72, 0)), 0.03
    )
    height *= v > -0.12
    leaves, berries = _motif(coin.motif)
    for leaf in leaves:
        height = np.maximum(height, _leaf_height(u, v, leaf))
    for bx, by in berries:
        height = np.maximum(height, 0.75 * _swell(0.04 - np.hypot(u - bx, v - by), 0.04))
    # Beads stand in their own cells around the rim.
    phase = np.arctan2(v, u) * coin.beads / (2 * np.pi)
    along = (phase - np.rint(phase)) * 2 * np.pi / coin.beads * radius
    bead = np.hypot(along, radius - 0.865)
    size = 0.865 * np.pi / coin.beads * 0.8
    height = np.maximum(height, 0.6 * _swell(size - bead, size))
    height = np.maximum(height, 1.1 * _swell(np.minimum(radius - 0.91, 0.985 - radius), 0.018))
    # Beyond the rim the edge falls away.
    fall = np.clip((radius - 0.985) / 0.03, 0, 1)
    return coin.relief_mm * (height - 2.2 * fall * fall)


def _leaf_height(u: Doubles, v: Doubles, leaf: tuple[float, ...]) -> Doubles:
    base_u, base_v, direction, length, width = leaf
    angle = np.radians(direction)
    along = (u - base_u) * np.cos(angle) + (v - base_v) * np.sin(angle)
    across = (v - base_v) * np.cos(angle) - (u - base_u) * np.sin(angle)
    # A pointed oval, a groove for its midrib, and slanted furrows for its veins.
    bow = (length**2 / 4 + width**2 / 4) / width
    inside = bow - np.hypot(along - length / 2, np.abs(across) + bow - width / 2)
    height = 0.9 * _swell(inside, 0.35 * width)
    furrow = np.cos(2 * np.pi * (along - 0.9 * np.abs(across)) / 0.048)
    height -= 0.1 * (0.5 + 0.5 * furrow) * (inside > 0) * np.clip(inside / (0.1 * width), 0, 1)
    return height - 0.3 * np.exp(-((across / 0.009) ** 2)) * (inside > 0)


def _swell(inside: Doubles, width: float) -> Doubles:
    """Rise from 0 at an outline to 1 at `width` inside it, as a quarter of a circle does."""
    t = np.clip(inside / width, 0, 1)
    return np.sqrt(t * (2 - t))


# -- crystals ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Crystals:
    """A cluster of six-sided pointed crystals on a rough ground.

    Parameters
    ----------
    half_mm : float
        The cluster fills a square of twice this side; beyond, the edge goes on.
    count : int
        Of crystals.
    width_mm : (least, most)
        Across a crystal.
    height_mm : (least, most)
        Of the tips above the ground.
    tilt : float
        How far crystals lean, as rise over run, up to this much each way.
    arrangement : int
        Another number, another cluster.
    """

    half_mm: float = Field(default=6.5, gt=0)
    count: int = Field(default=70, ge=1, le=400)
    width_mm: tuple[float, float] = (0.5, 2.0)
    height_mm: tuple[float, float] = (0.6, 3.6)
    tilt: float = Field(default=0.35, ge=0, le=1)
    arrangement: int = Field(default=0, ge=0)
    kind: Literal["crystals"] = "crystals"


def _draw_crystals(spec: Crystals, x: Doubles, y: Doubles) -> Doubles:
    rng = np.random.default_rng([41, spec.arrangement])
    height = 0.15 * _ground(x.shape, rng)
    for _ in range(spec.count):
        cx, cy = rng.uniform(-1, 1, 2) * spec.half_mm
        half = rng.uniform(*spec.width_mm) / 2
        # The middle of the cluster stands highest.
        middle = np.exp(-((np.hypot(cx, cy) / spec.half_mm) ** 2) / 0.6)
        tip = spec.height_mm[0] + np.ptp(spec.height_mm) * middle * rng.uniform(0.55, 1)
        lean = rng.uniform(-spec.tilt, spec.tilt, 2)
        turn = rng.uniform(0, np.pi / 3)
        rows = slice(*np.searchsorted(y[:, 0], [cy - 4 * half, cy + 4 * half]))
        cols = slice(*np.searchsorted(x[0], [cx - 4 * half, cx + 4 * half]))
        u, v = x[rows, cols] - cx, y[rows, cols] - cy
        top = tip + lean[0] * u + lean[1] * v - _faces(u, v, half, turn, rng)
        np.maximum(height[rows, cols], top, out=height[rows, cols])
    return height


def _faces(u: Doubles, v: Doubles, half: float, turn: float, rng: np.random.Generator) -> Doubles:
    """Fall below the tip: six sloping faces, then steep prism sides."""
    fall = np.zeros_like(u)
    for k in range(6):
        angle = turn + k * np.pi / 3
        out = u * np.cos(angle) + v * np.sin(angle)
        # Faces of a real point differ in size.
        slope, shift = rng.uniform(1.0, 1.5), rng.uniform(-0.2, 0.3) * half
        fall = np.maximum(fall, slope * (out - shift))
        fall = np.maximum(fall, slope * (half - shift) + 4.5 * (out - half))
    return fall


def _ground(shape: tuple[int, ...], rng: np.random.Generator) -> Doubles:
    ground = gaussian_filter(rng.standard_normal(shape), 40, mode="nearest")
    ground += 0.03 * gaussian_filter(rng.standard_normal(shape), 8, mode="nearest")
    return ground / ground.std()


# -- what they answer --------------------------------------------------------------------------


@lru_cache(maxsize=8)
def casting_of(relief: Any) -> Casting:
    """Draw a relief of this file, once."""
    if isinstance(relief, Coin):
        half = 1.08 * relief.radius_mm
        return drawn(lambda x, y: _draw_coin(relief, x, y), half, relief.wear_mm)
    return drawn(lambda x, y: _draw_crystals(relief, x, y), relief.half_mm, 0.012)


@gauge.register(Coin)
@gauge.register(Crystals)
def _(relief: Any, seed: int) -> Gauge:
    return height_of(casting_of(relief))


@bounds_mm.register(Coin)
@bounds_mm.register(Crystals)
def _(relief: Any) -> tuple[float, float]:
    casting = casting_of(relief)
    return casting.low_mm, casting.high_mm


@max_slope.register(Coin)
@max_slope.register(Crystals)
def _(relief: Any) -> float:
    return casting_of(relief).slope
