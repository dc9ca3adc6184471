"""Layers laid over one another, strip by strip."""

import numpy as np
import pytest

from stacktruth.simulator.blur.defocus import Blurred
from stacktruth.simulator.compositing import pile as piles
from stacktruth.simulator.compositing.pile import Pile
from stacktruth.simulator.view.camera import Window

TILE = Window(0, 90, 0, 70)


def layers():
    """Return three layers with maps of their blur, from sharp to wide, and of its rise."""
    rng = np.random.default_rng(8)
    found = []
    for window, channels in ((TILE, 0), (Window(9, 85, 4, 66), 3), (Window(20, 43, 11, 60), 1)):
        values = rng.random((3 + channels, *window.shape), np.float32)
        row = np.linspace(-40, 25, window.shape[0], dtype=np.float32)[:, None]
        blur_px = row + rng.uniform(-2, 2, window.shape).astype(np.float32)
        rise = rng.random(window.shape, np.float32)
        found.append((Blurred.of(window, np.moveaxis(values, 0, -1)), blur_px, rise))
    return found


def laid(*, doubts=False, last=False):
    """Return the pile of the layers; the last one may be said to be so."""
    pile = Pile(TILE, (0.1, 0.2, 0.3), doubts=doubts)
    some = layers()
    for number, (layer, blur_px, rise) in enumerate(some):
        pile.lay(layer, blur_px, rise=rise, last=last and number == len(some) - 1)
    return pile


@pytest.mark.parametrize("doubts", [False, True])
def test_strips_join_without_a_seam(monkeypatch, doubts):
    """Whether a layer is laid at once or a few rows at a time is the same to the bit."""
    monkeypatch.setattr(piles, "_CACHED", 1 << 30)
    once = laid(doubts=doubts)
    monkeypatch.setattr(piles, "_CACHED", 5 * 70)
    strips = laid(doubts=doubts)
    assert np.array_equal(strips.light, once.light)
    assert np.array_equal(strips._change, once._change)
    assert not doubts or np.array_equal(strips.doubt, once.doubt)


@pytest.mark.parametrize("doubts", [False, True])
def test_the_last_layer_is_laid_as_any_other(doubts):
    """That changes are wanted no more changes neither light nor doubt."""
    last, other = laid(doubts=doubts, last=True), laid(doubts=doubts)
    assert np.array_equal(last.light, other.light)
    assert not doubts or np.array_equal(last.doubt, other.doubt)


@pytest.mark.parametrize(("blur_px", "step"), [(0.4, None), (3.0, 1), (-7.0, 2), (60.0, 16)])
def test_a_layer_changes_across_the_pupil_by_its_slope_times_its_blur(blur_px, step):
    """Against differences over so many pixels, which end where the layer does."""
    layer = layers()[0][0]
    pile = Pile(TILE, (0.0, 0.0, 0.0))
    pile.lay(layer, np.full((1, 1), blur_px, np.float32))
    for axis, change in enumerate(pile._change):
        if step is None:
            assert not change.any()
            continue
        at = np.arange(TILE.shape[axis])
        after, before = np.minimum(at + step, at[-1]), np.maximum(at - step, 0)
        wide = np.expand_dims(after - before, (1 - axis, 2))
        rise = np.take(layer.colour, after, axis) - np.take(layer.colour, before, axis)
        assert change == pytest.approx(rise / wide * blur_px, rel=1e-5, abs=1e-6)
