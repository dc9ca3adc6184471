"""Reliefs: closed forms, bounds and slopes by dense sampling, and the law of the spiral."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import TypeAdapter, ValidationError

from simulator.reliefs import Relief, bounds_mm, height_mm, max_slope
from simulator.textures import Texture, sample

SPIRAL = {"radius_mm": 6.0, "growth": 1.7, "whorls": 3.5, "ribs": 50}
VEINS = {"half_width_mm": 4.0, "spacing_mm": 1.8, "width_mm": 0.3}
KINDS = {
    "flat": {"kind": "flat"},
    "slope": {"kind": "slope", "slope_x": 0.2, "slope_y": -0.1, "reach_mm": 6.0},
    "steps": {"kind": "steps", "rise_mm": 0.3, "tread_mm": 1.2, "count": 5},
    "cone": {"kind": "cone", "height_mm": 3.0, "radius_mm": 5.0},
    "dome": {"kind": "dome", "height_mm": 2.0, "radius_mm": [5.0, 3.0]},
    "rough": {"kind": "rough", "amplitude_mm": 0.1, "cell_mm": 0.8},
    "leaf": {"kind": "leaf", "veins": VEINS},
    "shell": {"kind": "shell", "spiral": SPIRAL, "height_mm": 4.0},
}


def made(name):
    """Return a relief of the table above."""
    return TypeAdapter(Relief).validate_python(KINDS[name])


def heights(name, *, step_mm, size=700, at=(0.0, 0.0), seed=3):
    """Return heights on a square grid around a point."""
    line = (np.arange(size, dtype=np.float32) - size / 2) * np.float32(step_mm)
    return height_mm(made(name), line + at[0], line[:, None] + at[1], seed=seed)


@pytest.mark.parametrize("name", KINDS)
@pytest.mark.parametrize("seed", [1, 2])
def test_heights_stay_within_the_stated_bounds(name, seed):
    """No height lies outside the bounds, and the bounds are not far outside the heights."""
    low, high = bounds_mm(made(name))
    got = heights(name, step_mm=0.03, seed=seed)
    assert got.dtype == np.float32
    assert low - 1e-6 <= got.min()
    assert got.max() <= high + 1e-6
    assert np.ptp(got) >= 0.3 * (high - low)


@pytest.mark.parametrize("name", KINDS)
@pytest.mark.parametrize(("step", "at"), [(0.02, (0.0, 0.0)), (0.004, (1.1, 0.7))])
def test_no_slope_is_steeper_than_stated(name, step, at):
    """Finite differences at two scales stay below the stated slope; nowhere a cliff."""
    got = heights(name, step_mm=step, at=at).astype(np.float64)
    across = np.diff(got, axis=1)[:-1] / step
    down = np.diff(got, axis=0)[:, :-1] / step
    # float32 heights of a few mm carry an error of 2e-7 of their size.
    noise = 4e-7 * max(abs(got).max(), 1) / step
    assert np.hypot(across, down).max() <= max_slope(made(name)) * 1.005 + noise


@pytest.mark.parametrize("name", [name for name in KINDS if name != "flat"])
def test_stated_slope_is_reached_within_reason(name):
    """The stated slope is no more than four times the steepest found."""
    found = 0.0
    for step in (0.02, 0.005):
        gy, gx = np.gradient(heights(name, step_mm=step), step)
        found = max(found, float(np.hypot(gx, gy).max()))
    assert found >= max_slope(made(name)) / 4


def test_slope_rises_to_the_right_and_down_as_stated():
    """Height is slope times distance, and stays level beyond the reach."""
    relief = made("slope")
    assert height_mm(relief, 2.0, 0.0, seed=0) == pytest.approx(0.4)
    assert height_mm(relief, 0.0, 2.0, seed=0) == pytest.approx(-0.2)
    assert height_mm(relief, 99.0, -99.0, seed=0) == pytest.approx(1.8)


def test_steps_have_the_stated_rise_and_tread():
    """Five rises make six treads, 0.3 mm apart, level in their middles."""
    middles = np.arange(-3, 3) * 1.2 + 0.6
    got = height_mm(made("steps"), middles, 0.0, seed=0)
    assert got == pytest.approx(0.3 * (np.arange(6) - 2.5), abs=1e-6)
    around = height_mm(made("steps"), middles[2] + np.array([-0.4, 0.4]), 0.0, seed=0)
    assert around == pytest.approx(got[2], abs=1e-6)


def test_cone_falls_evenly_from_its_tip():
    """Away from the rounded tip the height is h (1 - r/R), and 0 beyond the foot."""
    x = np.array([2.0, 3.0, 4.9, 7.0])
    want = 3.0 * np.maximum(1 - x / 5.0, 0)
    assert height_mm(made("cone"), x, 0.0, seed=0) == pytest.approx(want, abs=0.002)


def test_dome_is_a_paraboloid():
    """Height h (1 - (x/a)^2 - (y/b)^2) inside, 0 outside."""
    assert height_mm(made("dome"), 0.0, 0.0, seed=0) == pytest.approx(2.0)
    assert height_mm(made("dome"), 2.5, 1.5, seed=0) == pytest.approx(1.0)
    assert height_mm(made("dome"), 4.9, 2.0, seed=0) == 0.0


def test_rough_surface_has_the_stated_deviation():
    """The deviation over 25 by 25 cells is the amplitude, the mean about zero."""
    got = heights("rough", step_mm=0.03)
    # 26 x 26 features; the deviation of a deviation is 1/sqrt(2 n), of the mean 1/sqrt(n).
    assert got.std() == pytest.approx(0.1, rel=4 / np.sqrt(2 * 26**2))
    assert got.mean() == pytest.approx(0, abs=4 * 0.1 / np.sqrt(26**2))


def test_whorls_grow_by_one_ratio_each_turn():
    """Sutures lie on an equiangular spiral: each radius is `growth` times the next one in.

    The logarithmic spiral of shells: D'Arcy Thompson, On Growth and Form (1917), chapter XI.
    """
    x = np.arange(0.4, 9.0, 0.002, dtype=np.float32)
    got = height_mm(made("shell"), x, np.float32(1e-4), seed=0).astype(np.float64)
    fall = got - 4.0 * (1 - (np.minimum(x / 6.0, 1.6)) ** 1.6)  # without the dome
    low = x[1:-1][(fall[1:-1] < fall[:-2]) & (fall[1:-1] <= fall[2:])]
    assert len(low) >= 4
    assert low[1:] / low[:-1] == pytest.approx(1.7, rel=0.02)
    assert low[np.argmin(abs(low - 6.0))] == pytest.approx(6.0, abs=0.01)


def test_veins_of_colour_and_height_coincide():
    """The pale midrib and side veins of the texture run in the valleys of the relief."""
    blade = TypeAdapter(Relief).validate_python(
        KINDS["leaf"] | {"fold_mm": 0, "arch_mm": 0, "grain_mm": 0, "groove_mm": 0, "puff_mm": 0.2}
    )
    skin = TypeAdapter(Texture).validate_python(
        {
            "kind": "leaf",
            "veins": VEINS,
            "vein_colour": [1.0, 1.0, 1.0],
            "net": 0.0,
            "skin": {"kind": "octaves", "palette": [[0, 0, 0]], "cell_mm": 1.0},
        }
    )
    line = (np.arange(600, dtype=np.float32) - 300) * np.float32(0.01)
    height = height_mm(blade, line, line[:, None] + 1.8, seed=8)
    pale = sample(skin, line, line[:, None] + 1.8, footprint_mm=0.01, seed=8)[..., 0]
    other = sample(skin, line, line[:, None] + 1.8, footprint_mm=0.01, seed=9)[..., 0]
    assert height[pale > 0.6].max() < 0.03
    assert height[pale < 0.05].mean() > 0.06
    assert height[other > 0.6].max() > 0.06  # another seed's veins do not fit


def test_a_leaf_margin_can_stand_higher_or_lower():
    """The sign of the fold decides whether the leaf is a trough or a roof."""
    shape = {"puff_mm": 0.0, "grain_mm": 0.0, "groove_mm": 0.0, "arch_mm": 0.0}
    for fold in (0.8, -0.8):
        blade = TypeAdapter(Relief).validate_python(KINDS["leaf"] | shape | {"fold_mm": fold})
        middle, margin = height_mm(blade, 0.0, np.array([0.0, 4.0]), seed=0)
        assert margin - middle == pytest.approx(fold, abs=0.08)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"kind": "hill"}, "hill"),
        ({"height_mm": -1}, "greater than 0"),
        ({"radius_mm": [1.0]}, "radius_mm"),
        ({"depth_mm": 2}, "depth_mm"),
        ({"height_mm": float("inf")}, "finite"),
    ],
)
def test_bad_values_are_refused_by_name(change, match):
    """A wrong value is refused with the value or the rule in the message."""
    with pytest.raises(ValidationError, match=match):
        TypeAdapter(Relief).validate_python(KINDS["dome"] | change)
