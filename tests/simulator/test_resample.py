"""Merging and doubling of pixels, and the transfer that undoes them."""

import numpy as np
import pytest

from stacktruth.simulator.blur.resample import boxing_transfer, doubled, doubling_transfer, merged

WHOLE = slice(None)


def layers(shape, seed=0):
    """Return random layers."""
    return np.random.default_rng(seed).random(shape).astype(np.float32)


@pytest.mark.parametrize("factor", [1, 2, 4, 8])
def test_merging_keeps_the_light_and_where_it_is(factor):
    """A point's share of merged samples adds up to it, with its centroid, wherever it stands."""
    for place in range(16, 24):
        fine = np.zeros((40, 40), np.float32)
        fine[20, place] = 1.0
        got = merged(fine, factor, (0, 0), (40 // factor, 40 // factor))
        assert got.sum() * factor**2 == pytest.approx(1.0, rel=1e-6)
        centre = (np.arange(40 // factor) + 0.5) * factor
        assert (got.sum(axis=0) @ centre) / got.sum() == pytest.approx(place + 0.5, abs=1e-5)


def test_merging_is_the_transpose_of_doubling():
    """<doubled a, b> = 4 <a, merged b>, away from the ends."""
    coarse, fine = np.zeros((8, 9), np.float32), layers((16, 18), 1)
    coarse[2:-2, 2:-2] = layers((4, 5), 2)
    left = float((doubled(coarse, WHOLE, WHOLE) * fine).sum())
    assert left == pytest.approx(4 * float((coarse * merged(fine, 2, (0, 0), (8, 9))).sum()))


def test_merging_fills_what_is_missing_with_nothing():
    """Samples start where they are told to, with a merged sample to spare on each side."""
    got = merged(np.ones((3, 4), np.float32), 4, (7, 6), (4, 4))
    assert got.sum() * 16 == pytest.approx(12)


@pytest.mark.parametrize("factor", [2, 4, 8])
def test_doubling_transfer_is_what_merging_does_to_a_wave(factor):
    """A wave keeps this share of its contrast when its samples are merged."""
    for cycles in (0.0, 0.1, -0.3, 0.49):
        place = np.arange(64 * factor) / factor  # in merged samples
        wave = np.cos(2 * np.pi * cycles * place).astype(np.float32)
        tall = np.broadcast_to(wave, (8 * factor, wave.size))
        got = merged(np.ascontiguousarray(tall), factor, (0, 0), (8, 64))[4]
        centre = np.arange(64) + 0.5 - 0.5 / factor
        expected = doubling_transfer(np.array(cycles), factor) * np.cos(2 * np.pi * cycles * centre)
        assert got[2:-2] == pytest.approx(expected[2:-2], abs=2e-6)


def test_boxing_transfer_tends_to_a_box():
    """Many pixels to a sample are a box: sin(pi f) / (pi f)."""
    frequency = np.linspace(-0.5, 0.5, 21)
    assert boxing_transfer(frequency, 256) == pytest.approx(np.sinc(frequency), abs=1e-5)
    assert boxing_transfer(frequency, 1) == pytest.approx(1)


def test_doubling_interpolates_between_centres():
    """New samples lie a quarter on either side of the old; a slope goes on as a slope."""
    slope = np.arange(6, dtype=np.float32)[:, None] * np.ones((1, 5), np.float32)
    got = doubled(slope, WHOLE, WHOLE)
    assert got.shape == (12, 10)
    assert got[1:-1, 3] == pytest.approx(np.arange(10) / 2 + 0.25)
    # The ends have no neighbour beyond them and are held.
    assert got[[0, -1], 3] == pytest.approx([0, 5])


def test_doubling_keeps_a_flat_field_and_the_light():
    """A constant stays; what is dark at its edge keeps its sum, four samples for one."""
    assert doubled(np.full((3, 4), 0.7, np.float32), WHOLE, WHOLE) == pytest.approx(0.7)
    inner = np.zeros((8, 8), np.float32)
    inner[1:-1, 1:-1] = layers((6, 6))
    assert doubled(inner, WHOLE, WHOLE).sum() == pytest.approx(4 * inner.sum(), rel=1e-6)


def test_doubling_is_cut_where_asked():
    """Rows and columns of the result alone."""
    coarse = layers((5, 6))
    part = doubled(coarse, slice(1, 7), slice(2, 11))
    assert (part == doubled(coarse, WHOLE, WHOLE)[1:7, 2:11]).all()


@pytest.mark.parametrize("scale", [2, 4, 8])
def test_doubling_transfer_is_what_doubling_does_to_a_wave(scale):
    """From one sample in ``scale`` down to all, a wave keeps this share of its contrast."""
    count, cycles = 48, 0.125
    samples = np.cos(2 * np.pi * cycles * (np.arange(count) + 0.5))
    coarse = np.tile(samples.astype(np.float32), (4, 1))
    factor = scale
    while factor > 1:
        coarse = doubled(coarse, WHOLE, WHOLE)
        factor //= 2
    place = (np.arange(count * scale) + 0.5) / scale
    wave = np.cos(2 * np.pi * cycles * place)
    inside = slice(4 * scale, -4 * scale)
    # The images of the wave about multiples of the coarse sampling are not the wave: project.
    contrast = (coarse[1, inside] * wave[inside]).sum() / (wave[inside] ** 2).sum()
    assert contrast == pytest.approx(doubling_transfer(np.array(cycles), scale), abs=2e-6)


def test_doubling_transfer_of_one_is_one():
    """Nothing to double leaves everything."""
    assert (doubling_transfer(np.linspace(-0.5, 0.5, 9), 1) == 1).all()
