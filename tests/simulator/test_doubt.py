"""Which rectangles of a picture are seen through cells, and with what share."""

import numpy as np
import pytest

from stacktruth.ground import chunks
from stacktruth.simulator.compositing import doubt as doubts
from stacktruth.simulator.compositing.doubt import BLOCK_PX, places
from stacktruth.simulator.view.camera import Window

AROUND = Window(-40, 200, -40, 280)
TILE = Window(3, 157, -2, 241)
CUTS = ((0.01, 5), (0.04, 16))


@pytest.fixture
def doubt() -> np.ndarray:
    """Return a faint band of doubt across a picture, and a strong spot beside it."""
    light = np.zeros(AROUND.shape, np.float32)
    light[60:72] = 0.02
    light[100:140, 150:153] = 0.3
    return light


def test_places_hold_all_that_is_in_doubt_in_the_tile_and_nothing_beyond(doubt) -> None:
    """Each pixel of the tile with any weight lies in just one rectangle, and none lies outside."""
    for found in places(doubt, AROUND, TILE, CUTS):
        count = np.zeros(AROUND.shape, int)
        for part in found.parts:
            count[part.slices_in(AROUND)] += 1
        inside = np.zeros(AROUND.shape, bool)
        inside[TILE.slices_in(AROUND)] = True
        assert found.parts
        assert count.max() == 1
        assert count[inside & (found.weight > 0)].min() == 1
        assert count[~inside].max() == 0


def test_cuts_share_out_the_weight_of_the_first_alone(doubt) -> None:
    """A finer cut takes over from a coarser one: together they weigh what one cut does."""
    coarse, fine = places(doubt, AROUND, TILE, CUTS)
    alone = places(doubt, AROUND, TILE, CUTS[:1])[0]
    np.testing.assert_allclose(coarse.weight + fine.weight, alone.weight, atol=1e-6)
    assert coarse.weight.min() >= 0
    assert [coarse.cells, fine.cells] == [5, 16]
    # The spot is strong, the band far from it faint.
    assert fine.weight[120, 151] == 1
    assert coarse.weight[66, 20] == 1


def test_what_is_decided_does_not_depend_on_the_tile(doubt) -> None:
    """Moving the window by whole blocks moves the weights along."""
    by = 2 * BLOCK_PX
    smaller = Window(AROUND.row0 + by, AROUND.row1 - by, AROUND.col0 + by, AROUND.col1 - by)
    here = smaller.slices_in(AROUND)
    for one, other in zip(
        places(doubt, AROUND, TILE, CUTS), places(doubt[here], smaller, TILE, CUTS), strict=True
    ):
        inner = TILE.grown(-BLOCK_PX)
        np.testing.assert_array_equal(
            one.weight[inner.slices_in(AROUND)], other.weight[inner.slices_in(smaller)]
        )


def test_where_beginning_takes_long_few_rectangles_are_cut(doubt, monkeypatch) -> None:
    """Two spots far apart are two rectangles, or one where that is to be dearer."""
    spots = np.zeros_like(doubt)
    spots[60:70, 60:70] = spots[150:160, 250:260] = 0.02
    (apart,) = places(spots, AROUND, TILE, CUTS[:1])
    monkeypatch.setitem(chunks.BEGINNING_PX, "numpy", 1 << 20)
    (together,) = places(spots, AROUND, TILE, CUTS[:1])
    assert (len(apart.parts), len(together.parts)) == (2, 1)
    np.testing.assert_array_equal(apart.weight, together.weight)


@pytest.mark.parametrize("seed", range(8))
def test_rectangles_are_cut_where_that_saves_most(seed) -> None:
    """Against all cuts of a mask, each tried for itself: no first cut would have been cheaper."""
    rng = np.random.default_rng(seed)
    mask = rng.random(rng.integers(2, 24, 2)) < 0.03
    mask[[0, -1], [0, -1]] = True

    def cost(part: np.ndarray) -> int:
        rows, cols = (np.flatnonzero(part.any(axis=axis)) for axis in (1, 0))
        return int(np.prod([np.ptp(at) + 1 + 10 for at in (rows, cols)]))

    for axis in (0, 1):
        found = doubts._halves_cost(mask if axis == 0 else mask.T)
        tried = [
            sum(cost(half) for half in np.split(mask, [at], axis))
            for at in range(1, mask.shape[axis])
        ]
        assert found.tolist() == tried
