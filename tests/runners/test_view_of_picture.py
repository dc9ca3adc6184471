"""The view of a finished picture."""

import numpy as np
import pytest

from stacktruth.runners.judge.view_of_picture import likely_view
from stacktruth.runners.methods import built_in
from tests.runners.stacks import make_stack


@pytest.mark.parametrize("seed", range(1, 7))
def test_the_frame_that_a_method_merged_into_is_found(seed):
    """Frames out of order, moved and exposed at random; the method tells its reference.

    Seed 0 is left out: there the method merges in the view of a frame with nothing in focus.
    """
    made = make_stack(
        shift_px=4.0, scale_step=0.004, turn_mrad=3.0, gain_stops=0.2, noise=0.004, seed=seed,
        order=[3, 0, 5, 1, 4, 2],
    )  # fmt: skip
    result = built_in("laplacian-pyramid")(made.frames, made.info)
    assert likely_view(result.image, made.frames) == result.reference


def test_no_view_is_made_up():
    """A picture without detail, or of another shape, is in no frame's view."""
    made = make_stack(count=2)
    flat = np.full_like(made.frames[0], 30_000)
    assert likely_view(flat, made.frames) is None
    assert likely_view(made.frames[0][:-8], made.frames) is None
