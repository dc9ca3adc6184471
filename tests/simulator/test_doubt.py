"""Which rectangles of a picture are seen through cells, and with what share."""

import numpy as np
import pytest

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
