"""Reliefs: closed forms, bounds and slopes by dense sampling, and the law of the spiral."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pydantic import TypeAdapter, ValidationError
from skimage import io

from stacktruth.simulator.scene.relief.reliefs import Relief, bounds_mm, height_mm, max_slope
from stacktruth.simulator.scene.texture.textures import Texture, sample

HOUSE = Path(__file__).resolve().parents[2]
SPIRAL = {"radius_mm": 6.0, "growth": 1.7, "whorls": 3.5, "ribs": 50}
VEINS = {"half_width_mm": 4.0, "spacing_mm": 1.8, "width_mm": 0.3}
ROUGH = {"kind": "rough", "amplitude_mm": 0.1, "cell_mm": 0.8}
LAYOUT = {
    "half_mm": 5.0,
    "buses": [{"points_mm": [[-4, 0], [0, 0], [2, 2], [2, 4]], "count": 2, "pitch_mm": 0.8}],
    "pads": [[-3, 3, 0.6, 0.3]],
    "lands": [[3, -3, 1.0, 0.5]],
}
KINDS = {
    "flat": {"kind": "flat"},
    "slope": {"kind": "slope", "slope_x": 0.2, "slope_y": -0.1, "reach_mm": 6.0},
    "steps": {"kind": "steps", "rise_mm": 0.3, "tread_mm": 1.2, "count": 5},
    "cone": {"kind": "cone", "height_mm": 3.0, "radius_mm": 5.0},
    "dome": {"kind": "dome", "height_mm": 2.0, "radius_mm": [5.0, 3.0]},
    "rough": ROUGH,
    "leaf": {"kind": "leaf", "veins": VEINS},
    "shell": {"kind": "shell", "spiral": SPIRAL, "height_mm": 4.0},
    "coin": {"kind": "coin", "radius_mm": 6.0, "relief_mm": 0.3},
    "crystals": {"kind": "crystals", "half_mm": 5.0, "count": 40},
    "plates": {"kind": "plates", "cell_mm": 1.2, "stretch": 2.0, "angle_deg": 30, "rise_mm": 0.5},
    "bowl": {"kind": "bowl", "radius_mm": 2.0, "depth_mm": 1.5},
    "image": {"kind": "image", "picture": "gravel", "tile_mm": 8.0, "rise_mm": 0.6},
    "heights": {
        "kind": "heights",
        "file": str(HOUSE / "docs/generate/log-heights.png"),
        "width_mm": 8.0,
        "white_mm": 0.9,
    },
    "board": {"kind": "board", "layout": LAYOUT},
    "globe": {"kind": "globe", "height_mm": 2.0, "radius_mm": [5.0, 4.0]},
    "facets": {"kind": "facets", "pitch_mm": 0.5, "rise_mm": 0.1},
    "facets on a globe": {
        "kind": "facets",
        "pitch_mm": 0.5,
        "rise_mm": 0.1,
        "globe_mm": [5.0, 4.0],
        "bend": 0.0,
    },
    "ridges": {"kind": "ridges", "pitch_mm": 0.6, "rise_mm": 0.2, "sharpness": 3.0},
    "fan": {"kind": "ridges", "pitch_mm": 0.6, "rise_mm": 0.2, "fan_mm": 4.0, "start_mm": 2.0},
    "scales": {
        "kind": "scales",
        "rows": {"width_mm": 0.8, "row_mm": 1.0},
        "rise_mm": 0.15,
        "edge": 0.2,
    },
    "sum": {"kind": "sum", "parts": [{"kind": "slope", "slope_x": 0.1, "reach_mm": 10}, ROUGH]},
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


def test_beads_of_the_coin_are_evenly_spaced():
    """The ring of beads repeats 84 times around, and so does nothing else there."""
    angle = np.linspace(0, 2 * np.pi, 4096, endpoint=False)
    ring = height_mm(made("coin"), 5.19 * np.cos(angle), 5.19 * np.sin(angle), seed=0)
    power = np.abs(np.fft.rfft(ring - ring.mean())) ** 2
    assert np.argmax(power[:130]) == 84
    assert power[84] > 0.9 * power[1:130].sum()


def test_crystal_faces_are_flat():
    """Most of the cluster is plane: the height's second differences vanish there."""
    got = heights("crystals", step_mm=0.02, size=300).astype(np.float64)
    bend = np.abs(np.diff(got, 2, axis=0)[:, 1:-1]) + np.abs(np.diff(got, 2, axis=1)[1:-1])
    high = got[1:-1, 1:-1] > 1.0
    assert high.mean() > 0.3
    assert np.mean(bend[high] < 2e-3) > 0.6
    assert np.abs(np.diff(got, axis=0)[1:, 1:-1])[high].mean() > 5e-3  # yet they slope


def test_bowl_is_as_deep_as_stated():
    """From the lip to the middle, apart from lobes and grains."""
    bowl = TypeAdapter(Relief).validate_python(KINDS["bowl"] | {"lobes": 0, "grain_mm": 0})
    assert height_mm(bowl, 0.0, 0.0, seed=0) == pytest.approx(-1.5, abs=1e-6)
    assert height_mm(bowl, 2.0, 0.0, seed=0) == pytest.approx(0.0, abs=1e-6)
    assert height_mm(bowl, 0.0, 1.0, seed=0) == pytest.approx(-1.125, abs=1e-6)


def test_plates_fall_to_their_fissures():
    """A plate is highest inside and lowest at its border, by about the stated rise."""
    got = heights("plates", step_mm=0.02)
    assert np.ptp(got) == pytest.approx(0.5 + 0.2, abs=0.2)
    assert np.percentile(got, 2) < -0.35 < -0.2 < np.percentile(got, 90)


def test_gravel_of_colour_and_height_coincide():
    """Bright stones of the photograph stand high in the relief of the same picture."""
    stones = TypeAdapter(Relief).validate_python(KINDS["image"] | {"soft": 0.7})
    skin = TypeAdapter(Texture).validate_python(
        {
            "kind": "photo",
            "picture": "gravel",
            "palette": [[0, 0, 0], [1, 1, 1]],
            "tile_mm": 8.0,
            "contrast": 0.8,
        }
    )
    line = np.linspace(-6, 6, 500, dtype=np.float32)
    height = height_mm(stones, line, line[:, None], seed=5)
    bright = sample(skin, line, line[:, None], footprint_mm=0.02, seed=5)[..., 0]
    other = sample(skin, line, line[:, None], footprint_mm=0.02, seed=6)[..., 0]
    assert np.corrcoef(height.ravel(), bright.ravel())[0, 1] > 0.95
    assert abs(np.corrcoef(height.ravel(), other.ravel())[0, 1]) < 0.2


def test_a_png_file_becomes_a_relief(tmp_path):
    """Brightness of a picture of one's own is height, from 0 to the rise."""
    x = np.arange(64) * np.ones((64, 1))
    wave = 127.5 + 120 * np.sin(2 * np.pi * x / 64)
    io.imsave(tmp_path / "wave.png", wave.astype(np.uint8), check_contrast=False)
    relief = TypeAdapter(Relief).validate_python(
        {
            "kind": "image",
            "picture": str(tmp_path / "wave.png"),
            "tile_mm": 6.4,
            "rise_mm": 2.0,
            "soft": 0.7,
        }
    )
    line = np.linspace(0, 6.4, 64, endpoint=False, dtype=np.float32)
    got = height_mm(relief, line, 0 * line, seed=1)
    assert got.min() == pytest.approx(0, abs=0.02)
    assert got.max() == pytest.approx(2, abs=0.02)
    assert np.abs(np.fft.rfft(got))[1] / 32 == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize(
    ("shape", "match"),
    [((64, 32), "got 32 x 64 pixels, allowed square"), ((60, 60), "power of two")],
)
def test_pictures_of_other_shapes_are_refused(tmp_path, shape, match):
    """Only squares with a side that is a power of two repeat as tiles."""
    path = tmp_path / "odd.png"
    io.imsave(path, np.arange(shape[0] * shape[1]).reshape(shape).astype(np.uint8))
    change = {"picture": str(path)}
    with pytest.raises(ValidationError, match=match):
        TypeAdapter(Relief).validate_python(KINDS["image"] | change)


def test_a_missing_picture_is_refused():
    """The message names the picture and what is allowed."""
    with pytest.raises(ValidationError, match=r"picture: got 'moon\.png', allowed gravel, grass"):
        TypeAdapter(Relief).validate_python(KINDS["image"] | {"picture": "moon.png"})


def test_copper_stands_where_the_layout_says():
    """Tracks 0.18 mm wide, 0.8 mm apart, mitred at the bends; a pad; a land; bare board between."""
    board = made("board")
    thick = 0.035

    def at(x, y):
        return height_mm(board, np.float32(x), np.float32(y), seed=0)

    assert at(-2, 0.4) == pytest.approx(thick, rel=0.02)
    assert at(-2, -0.4) == pytest.approx(thick, rel=0.02)
    assert at(-2, 0.0) == 0
    assert at(-2, 0.4 + 0.09) == pytest.approx(thick / 2, rel=0.2)  # half-way on the edge
    # On the diagonal the two tracks are still 0.8 mm apart across their heading.
    shift = 0.4 / np.sqrt(2)
    assert at(1 - shift, 1 + shift) == pytest.approx(thick, rel=0.02)
    assert at(1 + shift, 1 - shift) == pytest.approx(thick, rel=0.02)
    assert at(1, 1) == 0
    assert at(-3, 3) == pytest.approx(thick, rel=0.02)
    assert at(3.3, -3.1) == pytest.approx(thick, rel=0.02)
    assert at(3.0, -3.5) == 0


def test_a_sum_adds_its_parts():
    """The sum is the sum."""
    x = np.linspace(-3, 3, 50, dtype=np.float32)
    rough = height_mm(made("rough"), x, x, seed=4)
    assert height_mm(made("sum"), x, x, seed=4) == pytest.approx(rough + 0.1 * x, abs=1e-6)


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
