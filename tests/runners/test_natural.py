"""How near to photographs draws are: the figures on pictures that are known, and on families."""

import numpy as np
import pytest
from PIL import Image

from stacktruth.runners.demo.close_up import busiest_window
from stacktruth.runners.demo.families import _sheet, families_sheets, one_of_each
from stacktruth.runners.demo.natural import (
    COLUMNS,
    fine_kurtosis,
    flat_share,
    look_at,
    spectral_slope,
)
from stacktruth.simulator.data import list_data_files


def noise_of_power(falloff, shape, seed=1):
    """Return Gaussian noise whose power falls with the frequency to a power."""
    white = np.fft.fft2(np.random.default_rng(seed).normal(size=shape))
    rows, cols = np.fft.fftfreq(shape[0])[:, None], np.fft.fftfreq(shape[1])[None, :]
    frequency = np.maximum(np.hypot(rows, cols), 1 / max(shape))
    return np.fft.ifft2(white * frequency ** (-falloff / 2)).real


@pytest.mark.parametrize("falloff", [1.5, 2.0, 3.0])
def test_the_slope_is_the_one_the_noise_was_made_with(falloff):
    """Noise made of a law of power has its slope, on an oblong picture as well.

    One fit deviates by 0.1 (measured here), so 0.06 is three deviations of the mean of 24.
    """
    slopes = [spectral_slope(noise_of_power(falloff, (128, 192), seed)) for seed in range(24)]
    assert np.mean(slopes) == pytest.approx(-falloff, abs=0.06)


def test_the_kurtosis_is_that_of_sums_of_four():
    """A Haar coefficient of independent values is their signed half sum: an excess is quartered.

    A Gaussian has a kurtosis of 3, a Laplacian one of 6 (their textbook moments): so 3, and 3.75.
    """
    rng = np.random.default_rng(2)
    shape = (600, 800)
    assert fine_kurtosis(rng.normal(size=shape)) == pytest.approx(3.0, abs=0.06)
    assert fine_kurtosis(rng.laplace(size=shape)) == pytest.approx(3.75, abs=0.1)


def test_the_flat_share_is_that_of_the_empty_part():
    """A quarter without noise counts, less a rim of half the window's side."""
    grey = 0.5 + 0.02 * np.random.default_rng(3).normal(size=(200, 200))
    grey[:100, :100] = 0.5
    assert flat_share(grey) == pytest.approx(0.25 * 0.96**2, abs=0.006)


def test_the_busiest_window_is_where_the_detail_in_reach_is():
    """A busier place out of reach, and one at the rim, do not count for more than they show."""
    rng = np.random.default_rng(4)
    grey = np.full((60, 90), 0.5)
    reached = np.ones(grey.shape, bool)
    grey[5:25, 5:35] += 0.2 * rng.normal(size=(20, 30))  # busier, but the backdrop
    reached[:30, :40] = False
    grey[34:54, 51:81] += 0.1 * rng.normal(size=(20, 30))
    width, height, left, top = busiest_window(grey, reached, bins=10, size_px=(300, 200))
    assert (width, height) == (300, 200)
    assert abs(left - 510) <= 10
    assert abs(top - 340) <= 10
    reached[:] = True
    left, top = busiest_window(grey, reached, bins=10, size_px=(300, 200))[2:]
    assert abs(left - 50) <= 10
    assert abs(top - 50) <= 10


def test_the_window_lies_on_the_sensor():
    """In a corner as well, and where the picture is smaller than a window."""
    grey, reached = np.zeros((30, 40)), np.ones((30, 40), bool)
    assert busiest_window(grey, reached, bins=7, size_px=(100, 60)) == (100, 60, 0, 0)
    grey[28:, 38:] = np.random.default_rng(5).normal(size=(2, 2))
    width, height, left, top = busiest_window(grey, reached, bins=7, size_px=(100, 60))
    assert 280 - 7 < left + width <= 280
    assert 210 - 7 < top + height <= 210
    assert busiest_window(grey, reached, bins=2, size_px=(600, 400)) == (80, 60, 0, 0)


@pytest.mark.slow
def test_a_sheet_shows_the_whole_and_a_window_of_it(tmp_path):
    """Two sheets of a family, and a row of figures for each draw, named as documented."""
    rows = families_sheets(["targets"], tmp_path, draws=2, width_px=192, tile_px=96)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["targets-close.jpg", "targets.jpg"]
    assert list(rows) == ["family", "seed", *COLUMNS, "apart"]
    assert np.isfinite(rows[list(COLUMNS)].to_numpy(float)).all()


def test_one_of_each_is_the_same_draw_of_all(tmp_path):
    """Tiles of sheets with one grey a tile: the third of each, in order; JPEG keeps it nearly."""
    for number, name in enumerate(["a", "b"]):
        tiles = [np.full((16, 24, 3), (8 * number + place + 1) / 20) for place in range(8)]
        _sheet(tiles, tmp_path / f"{name}.jpg")
    one_of_each(["a", "b"], tmp_path, draw=3)
    made = np.asarray(Image.open(tmp_path / "draws.jpg"), float)
    found = [made[8, 12, 0], made[8, 24 + 3 + 12, 0]]
    assert found == pytest.approx([255 * 3 / 20, 255 * 11 / 20], abs=2)


#: What a picture must hold, as a whole and at real pixels. The slopes: van der Schaaf and van
#: Hateren 1996, Vision Res. 36, 2759; the kurtosis: Simoncelli 2005, Handbook of Video and Image
#: Processing (both from memory). A fifth of the picture may be flat; white is our own choice.
RANGES = {
    "white_percent": (70, 98),
    "flat_percent": (0, 20),
    "slope": (-3, -1.5),
    "kurtosis": (4, 40),
}
#: Draws of families that were brought into the range, and what still lies outside of it: long
#: shadows of the relief, or growth lines that run one way, make a window steeper than its detail
#: can mend; a fan of ribs on rugged wood makes the whole of shell:4 shallower.
HELD: dict[str, set[str]] = {
    "coin:1": set(),
    "coin:3": {"close_slope"},
    "coin:4": set(),
    "fungus-gills:2": set(),
    "fungus-gills:5": set(),
    "shell:1": {"close_slope"},
    "shell:4": {"slope"},
    "shell:6": set(),
}
#: Families that nobody has brought into the range at real pixels yet.
LEFT = {
    *("arthropod-head", "beetle", "circuit-board", "clear-wing", "crystals", "dew", "dew-lens"),
    *("feather-and-down", "flower", "leaf", "moss-and-lichen", "petal-edge", "spider-eyes"),
    *("targets", "wing"),
}


def test_each_family_is_held_to_the_range_or_named():
    """A new family says which it is."""
    assert {name.partition(":")[0] for name in HELD} | LEFT == set(list_data_files("family"))


@pytest.mark.slow
@pytest.mark.parametrize("name", HELD)
def test_a_draw_looks_like_a_photograph(name):
    """Brightness, flat parts, slope and kurtosis lie in the range, but for what is named."""
    figures = look_at(name, width_px=768).figures
    outside = {
        prefix + key
        for prefix in ("", "close_")
        for key, (least, most) in RANGES.items()
        if not least <= figures[prefix + key] <= most
    }
    assert outside == HELD[name], figures
