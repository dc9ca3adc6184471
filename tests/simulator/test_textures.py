"""Textures: outside references are scipy and scikit-image, ISO 12233 and Field (1987)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pydantic import TypeAdapter, ValidationError
from scipy.ndimage import map_coordinates, spline_filter
from skimage import color

from stacktruth.simulator.scene.pattern import tiles
from stacktruth.simulator.scene.relief.reliefs import Relief, height_mm
from stacktruth.simulator.scene.texture.palette import linear_colour
from stacktruth.simulator.scene.texture.plain import Octaves
from stacktruth.simulator.scene.texture.target import Edges
from stacktruth.simulator.scene.texture.textures import Texture, sample

HOUSE = Path(__file__).resolve().parents[2]
GREY = ["#1a1a1a", "#7f7f7f", "#e6e6e6"]
INK = ["#202020", "#e0e0e0"]
OCTAVES = {"kind": "octaves", "palette": GREY, "cell_mm": 0.4}
CELLS = {
    "kind": "cells",
    "palette": GREY,
    "cell_mm": 0.05,
    "border_colour": "#303030",
    "blotch_mm": 0.5,
}
BLACK = {"kind": "flat", "colour": "#101010"}
SPIRAL = {"radius_mm": 6.0, "growth": 1.7, "whorls": 3.5}
KINDS = {
    "flat": {"kind": "flat", "colour": "#808080"},
    "octaves": OCTAVES,
    "stretched": OCTAVES | {"stretch": 6.0, "angle_deg": 30.0},
    "photo": {"kind": "photo", "picture": "gravel", "palette": GREY, "tile_mm": 3.0},
    "picture": {
        "kind": "picture",
        "file": str(HOUSE / "docs/generate/log.png"),
        "width_mm": 0.9,
    },
    "cells": CELLS,
    "bars": {"kind": "bars", "colours": INK, "pitch_mm": 0.11, "angle_deg": 7.0},
    "edges": {"kind": "edges", "cell_mm": 0.3},
    "checker": {"kind": "checker", "colours": INK, "cell_mm": 0.07, "angle_deg": 12.0},
    "spokes": {"kind": "spokes", "colours": INK, "cell_mm": 0.5},
    "grain": {"kind": "grain", "colours": INK, "cell_mm": 0.02},
    "leaf": {"kind": "leaf", "skin": CELLS, "vein_colour": "#c0d090"},
    "shell": {"kind": "shell", "spiral": SPIRAL, "palette": GREY, "bands": [[0.4, 0.1]]},
    "scales": {"kind": "scales", "rows": {"width_mm": 0.2, "row_mm": 0.25}, "palette": GREY},
    "layered": {
        "kind": "layered",
        "under": OCTAVES,
        "over": BLACK,
        "mask": {"kind": "blotches", "cell_mm": 0.4},
    },
    "ruled": {
        "kind": "layered",
        "under": {"kind": "flat", "colour": "#e0e0e0"},
        "over": BLACK,
        "mask": {"kind": "lines", "pitch_mm": 0.2, "width_mm": 0.03},
    },
    "specks": {
        "kind": "layered",
        "under": OCTAVES,
        "over": BLACK,
        "mask": {"kind": "grains", "cell_mm": 0.1},
    },
    "ringed": {
        "kind": "layered",
        "under": {"kind": "flat", "colour": "#e0e0e0"},
        "over": BLACK,
        "mask": {"kind": "rings", "pitch_mm": 0.2, "width_mm": 0.03},
    },
}


def made(name):
    """Return a texture of the table above."""
    return TypeAdapter(Texture).validate_python(KINDS[name])


def grid(rows, cols, step_mm, at=(0.0, 0.0)):
    """Return x and y of pixel centres."""
    y, x = np.mgrid[0:rows, 0:cols].astype(np.float32) * np.float32(step_mm)
    return x + np.float32(at[0]), y + np.float32(at[1])


@pytest.mark.parametrize("name", KINDS)
def test_seed_and_place_decide_the_colour_alone(name):
    """A point has the same colour alone, in a row, in a large grid, and in the next run."""
    x, y = grid(250, 180, 0.004, at=(1.0, 2.0))
    whole = sample(made(name), x, y, footprint_mm=0.004, seed=5)
    again = sample(made(name), x, y, footprint_mm=0.004, seed=5)
    row = sample(made(name), x[200], y[200], footprint_mm=0.004, seed=5)
    point = sample(made(name), x[200, 7], y[200, 7], footprint_mm=0.004, seed=5)
    assert whole.shape == (250, 180, 3)
    assert whole.dtype == np.float32
    assert np.array_equal(whole, again)
    assert np.array_equal(whole[200], row)
    assert np.array_equal(row[7], point)


@pytest.mark.parametrize("name", ["octaves", "photo", "cells", "grain", "leaf", "shell", "specks"])
def test_another_seed_gives_another_patch(name):
    """The seed moves what is random."""
    x, y = grid(40, 40, 0.01, at=(1.0, 1.0))
    one = sample(made(name), x, y, footprint_mm=0.004, seed=5)
    other = sample(made(name), x, y, footprint_mm=0.004, seed=6)
    assert not np.allclose(one, other, atol=0.01)


# Flat mean over an area that holds every pattern many times. The shell is left out: its colour
# depends on the place along the whorls.
@pytest.mark.parametrize("name", [name for name in KINDS if name != "shell"])
def test_a_huge_pixel_shows_the_mean_colour(name):
    """From afar, every texture is its own mean over an area."""
    x, y = grid(500, 500, 0.0237)
    near = sample(made(name), x, y, footprint_mm=0.001, seed=3)
    far = sample(made(name), x[::25, ::25], y[::25, ::25], footprint_mm=12.0, seed=3)
    assert far.std(axis=(0, 1)).max() < 0.01
    # 250 000 samples of features up to 0.6 mm wide over 11.8 mm: about 400 independent patches.
    spread = near.std(axis=(0, 1)) / np.sqrt(400)
    assert np.abs(far.mean(axis=(0, 1)) - near.mean(axis=(0, 1))) == pytest.approx(
        0, abs=float(3 * spread.max() + 0.01)
    )


@pytest.mark.parametrize("name", ["bars", "edges", "checker", "ruled", "ringed", "grain"])
def test_edges_are_averaged_over_the_pixel(name):
    """A pixel equals the mean of 256 fine samples under a triangle of one pixel half-foot."""
    step = 0.006
    x, y = grid(40, 40, step, at=(0.3, 0.1))
    got = sample(made(name), x, y, footprint_mm=step, seed=3)[..., 0]
    at = (np.arange(-31, 32) / 32).astype(np.float32)
    weight = (1 - np.abs(at)) / np.sum(1 - np.abs(at))
    want = np.zeros_like(got)
    for dy, wy in zip(at, weight, strict=True):
        far = sample(
            made(name),
            x[..., None] + at * np.float32(step),
            y[..., None] + dy * np.float32(step),
            footprint_mm=1e-5,
            seed=3,
        )
        want += wy * (far[..., 0] @ weight).astype(np.float32)
    assert np.ptp(want) > 0.3
    assert np.abs(got - want).max() < 0.13  # corners are products of edges, the rest is closer
    assert np.sqrt(np.mean((got - want) ** 2)) < 0.02


@pytest.mark.parametrize("footprint", [0.02, 0.008, 0.002])
def test_natural_noise_obeys_the_amplitude_law(footprint):
    """Amplitude falls as 1/f down to the pixel, at three scales (Field 1987): power slope -2."""
    texture = Octaves(palette=[(0, 0, 0), (1, 1, 1)], cell_mm=0.5, flatness=0, contrast=0.4)
    n = 512
    x, y = grid(n, n, footprint, at=(3.0, 4.0))
    picture = sample(texture, x, y, footprint_mm=footprint, seed=4)[..., 0]
    frequency, power = radial_power(picture)
    lowest = max(2 * n * footprint / texture.cell_mm, 8)  # below, the noise is level
    chosen = (frequency > lowest) & (frequency < 0.22 * n)
    slope = np.polyfit(np.log(frequency[chosen]), np.log(power[chosen]), 1)[0]
    assert slope == pytest.approx(-2, abs=0.25)


def test_nothing_is_finer_than_the_pixel_can_show():
    """Power near the Nyquist frequency lies far below the 1/f law; at half of it, on the law."""
    texture = Octaves(palette=[(0, 0, 0), (1, 1, 1)], cell_mm=0.5, flatness=0, contrast=0.4)
    n = 512
    x, y = grid(n, n, 0.004)
    frequency, power = radial_power(sample(texture, x, y, footprint_mm=0.004, seed=4)[..., 0])
    law = power * frequency**2
    level = np.median(law[30:100])
    assert np.median(law[120:132]) == pytest.approx(level, rel=0.4)
    assert np.median(law[244:256]) < 0.1 * level


def radial_power(picture):
    """Return whole frequencies (cycles per frame) and the mean power around each."""
    n = picture.shape[0]
    window = np.hanning(n)[:, None] * np.hanning(n)[None, :]
    power = np.abs(np.fft.fft2((picture - picture.mean()) * window)) ** 2
    radius = np.hypot(np.fft.fftfreq(n, 1 / n)[:, None], np.fft.fftfreq(n, 1 / n)[None, :])
    ring = radius.astype(int).ravel()
    mean = np.bincount(ring, power.ravel()) / np.bincount(ring)
    return np.arange(1, n // 2), mean[1 : n // 2]


def test_calm_parts_cover_the_stated_share():
    """Where the fine layers are switched off, the surface has no local contrast."""
    texture = Octaves(palette=[(0, 0, 0), (1, 1, 1)], cell_mm=1.0, flatness=0.5, contrast=1.0)
    x, y = grid(1024, 1024, 0.02)
    picture = sample(texture, x, y, footprint_mm=0.02, seed=2)[..., 0]
    local = np.abs(np.diff(picture, axis=0))
    assert np.mean(local < 0.003) == pytest.approx(0.5, abs=0.12)


def test_default_edges_are_those_of_the_standard():
    """ISO 12233 edge targets: tones 4:1, slant 5 degrees, by the edge's place in each row."""
    texture = Edges(cell_mm=2.0)
    x, y = grid(400, 400, 0.004, at=(-0.9, -0.3))
    picture = sample(texture, x, y, footprint_mm=0.004, seed=0)[..., 0]
    assert picture.max() / picture.min() == pytest.approx(4.0, rel=1e-5)
    rows = picture[80:180]  # each row crosses the left side of a square, then the right one
    steps = np.abs(np.diff(rows[:, :220], axis=1))
    place = steps @ np.arange(219) / steps.sum(axis=1)
    slant = np.degrees(np.arctan(np.abs(np.polyfit(np.arange(100), place, 1)[0])))
    assert slant == pytest.approx(5.0, abs=0.01)


def test_hex_colours_are_decoded_as_srgb():
    """Linear values of greys equal the luminance that scikit-image computes."""
    for code in (0, 5, 60, 119, 188, 255):
        got = linear_colour(f"#{code:02x}{code:02x}{code:02x}")
        want = color.rgb2xyz(np.full((1, 1, 3), code / 255.0))[0, 0, 1]
        assert got == pytest.approx((want,) * 3, abs=2e-4)


def test_look_up_is_bilinear_interpolation_with_wrap():
    """Our look-up equals scipy's, far outside the tile too."""
    rng = np.random.default_rng(1)
    tile = rng.random((64, 64)).astype(np.float32)
    u, v = rng.uniform(-3, 5, (2, 500)).astype(np.float32)
    want = map_coordinates(tile, [v * 64, u * 64], order=1, mode="grid-wrap")
    assert tiles.look_up(tiles.wrapped(tile), u, v) == pytest.approx(want, abs=1e-4)


def test_smooth_look_up_is_the_quadratic_spline():
    """Our smooth look-up equals scipy's spline of order 2."""
    rng = np.random.default_rng(1)
    tile = rng.random((64, 64)).astype(np.float32)
    u, v = rng.uniform(-3, 5, (2, 500)).astype(np.float32)
    coefficients = spline_filter(tile, order=2, mode="grid-wrap")
    place = [v * 64, u * 64]
    want = map_coordinates(coefficients, place, order=2, mode="grid-wrap", prefilter=False)
    assert tiles.look_up_smooth(tiles.spline(tile), u, v) == pytest.approx(want, abs=2e-4)


def test_photographs_join_at_their_edges():
    """The step across a tile's edge is no larger than the steps inside."""
    for name in ("grass", "gravel"):
        tile = tiles.photograph(name)
        inside = np.abs(np.diff(tile, axis=0)).mean()
        assert np.abs(tile[0] - tile[-1]).mean() < 1.2 * inside
        assert tile.mean() == pytest.approx(0, abs=1e-4)


def test_a_layer_of_no_strength_is_not_there():
    """Strength 0 leaves the texture under it as it is; strength 1 covers where the mask is 1."""
    both = KINDS["ruled"] | {"strength": 0.0}
    x, y = grid(30, 30, 0.01)
    bare = TypeAdapter(Texture).validate_python(both)
    assert np.ptp(sample(bare, x, y, footprint_mm=0.004, seed=1)) == 0
    on_line = sample(made("ruled"), 0.2, 0.0, footprint_mm=0.004, seed=1)
    assert on_line == pytest.approx(np.array(linear_colour("#101010")), abs=1e-5)


def test_a_height_mask_follows_the_relief():
    """Paint lies where the relief of the same seed is above the level, and nowhere else."""
    rough = {"kind": "rough", "amplitude_mm": 0.1, "cell_mm": 0.8}
    mask = {"kind": "height", "relief": rough, "level_mm": 0.05, "soft_mm": 0.005}
    paint = KINDS["ruled"] | {"mask": mask, "over": {"kind": "flat", "colour": "#000000"}}
    texture = TypeAdapter(Texture).validate_python(paint)
    hollow = TypeAdapter(Texture).validate_python(paint | {"mask": mask | {"below": True}})
    x, y = grid(200, 200, 0.03)
    high = height_mm(TypeAdapter(Relief).validate_python(rough), x, y, seed=7) > 0.05
    dark = sample(texture, x, y, footprint_mm=0.002, seed=7)[..., 0] < 0.35
    pale = sample(hollow, x, y, footprint_mm=0.002, seed=7)[..., 0] > 0.35
    assert 0.1 < high.mean() < 0.9
    assert np.mean(dark == high) > 0.995
    assert np.mean(pale == high) > 0.995


def test_pads_are_bare_and_holes_are_dark():
    """The parts of a board are painted where the layout puts them."""
    layout = {"half_mm": 3.0, "pads": [[1.0, 0.5, 0.6, 0.25]], "lands": [[-1, -1, 0.8, 0.4]]}

    def painted(part, x, y):
        paint = KINDS["ruled"] | {"mask": {"kind": "board", "part": part, "layout": layout}}
        texture = TypeAdapter(Texture).validate_python(paint)
        return sample(texture, x, y, footprint_mm=0.01, seed=0)[..., 0] < 0.3

    x = np.array([1.0, 1.4, 1.7, -1.0, -1.35, 0.0], np.float32)
    y = np.array([0.5, 0.5, 0.5, -1.0, -0.85, 0.0], np.float32)
    assert painted("bare", x, y).tolist() == [True, True, False, True, True, False]
    assert painted("hole", x, y).tolist() == [True, False, False, False, False, False]


def test_a_disc_fades_from_its_middle():
    """A soft spot is full within, half at its radius, and gone beyond its softness."""
    mask = {"kind": "disc", "at_mm": [1.0, 0.0], "radius_mm": [1.0, 2.0], "soft": 0.4}
    paint = KINDS["ruled"] | {"mask": mask, "under": {"kind": "flat", "colour": [1, 1, 1]}}
    texture = TypeAdapter(Texture).validate_python(
        paint | {"over": {"kind": "flat", "colour": [0, 0, 0]}}
    )
    x = np.array([1.0, 1.5, 2.0, 2.5, 1.0, 1.0], np.float32)
    y = np.array([0.0, 0.0, 0.0, 0.0, 2.0, 2.9], np.float32)
    got = sample(texture, x, y, footprint_mm=0.01, seed=0)[..., 0]
    assert got == pytest.approx([0, 0, 0.5, 1, 0.5, 1], abs=1e-5)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"cell_mm": 0}, "greater than 0"),
        ({"palette": []}, "at least 1 item"),
        ({"palette": ["green"]}, "#rrggbb"),
        ({"palette": ["#12345g"]}, "#rrggbb"),
        ({"palette": [[0.1, -0.2, 0.3]]}, "greater than or equal to 0"),
        ({"kind": "velvet"}, "velvet"),
        ({"shine": 1}, "shine"),
    ],
)
def test_bad_values_are_refused_by_name(change, match):
    """A wrong value is refused with the value or the rule in the message."""
    with pytest.raises(ValidationError, match=match):
        TypeAdapter(Texture).validate_python(OCTAVES | change)


def test_a_negative_pixel_is_refused():
    """The footprint cannot be negative, nor not a number."""
    with pytest.raises(ValueError, match="footprint_mm must be >= 0, got -1"):
        sample(made("flat"), 0.0, 0.0, footprint_mm=-1, seed=0)
    with pytest.raises(ValueError, match="footprint_mm must be >= 0, got nan"):
        sample(made("flat"), 0.0, 0.0, footprint_mm=float("nan"), seed=0)
