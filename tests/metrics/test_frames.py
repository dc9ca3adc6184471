"""Frame choice on sets of frames one can count by hand."""

import math
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stacktruth.metrics.frames import score_frames

WANTED = {"dof_mm": 0.2, "near_mm": 0.0, "far_mm": 1.0}


def test_five_frames_that_just_touch_are_the_perfect_choice() -> None:
    """Depths of field of 0.2 mm end to end over 1 mm: all covered, none twice, none wasted."""
    choice = score_frames([0.9, 0.1, 0.5, 0.3, 0.7], **WANTED)
    assert choice.covered_share == pytest.approx(1.0)
    assert choice.largest_gap_mm == pytest.approx(0.0, abs=1e-12)
    assert choice.redundancy == pytest.approx(0.0, abs=1e-12)
    assert (choice.needed, choice.wasted_share) == (5, 0.0)


def test_a_missing_frame_is_a_gap() -> None:
    """Without the middle frame a fifth is lost."""
    choice = score_frames([0.1, 0.3, 0.7, 0.9], **WANTED)
    assert choice.covered_share == pytest.approx(0.8)
    assert choice.largest_gap_mm == pytest.approx(0.2)


def test_every_frame_twice_is_half_wasted() -> None:
    """Twice the frames show each depth once more than needed."""
    choice = score_frames([0.1, 0.3, 0.5, 0.7, 0.9] * 2, **WANTED)
    assert choice.redundancy == pytest.approx(1.0)
    assert choice.wasted_share == pytest.approx(0.5)


def test_frames_outside_the_wanted_depth_are_wasted() -> None:
    """A frame before and one behind the subject cover nothing."""
    choice = score_frames([-0.5, 0.5, 3.0], **WANTED)
    assert choice.covered_share == pytest.approx(0.2)
    assert choice.needed == 1
    assert choice.wasted_share == pytest.approx(2 / 3)


def test_no_frames() -> None:
    """Nothing is covered, and there is nothing to waste."""
    choice = score_frames([], **WANTED)
    assert (choice.covered_share, choice.largest_gap_mm, choice.needed) == (0.0, 1.0, 0)
    assert math.isnan(choice.redundancy)
    assert math.isnan(choice.wasted_share)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(-3, 13), max_size=6))
def test_fewest_frames_by_trying_all(tenths: list[int]) -> None:
    """The number needed is the smallest subset with the same cover, found by trying all."""
    planes = np.array(tenths) / 10 + 0.05
    whole = score_frames(planes, **WANTED)
    best = min(
        size
        for size in range(len(tenths) + 1)
        for chosen in combinations(planes, size)
        if score_frames(chosen, **WANTED).covered_share > whole.covered_share - 1e-9
    )
    assert whole.needed == best


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-1, 2), max_size=20), st.floats(0.01, 1.5))
def test_cover_by_counting_points(planes: list[float], dof_mm: float) -> None:
    """The share covered is that of closely spaced points within half a depth of field."""
    points = (np.arange(20_000) + 0.5) / 20_000
    away = np.abs(points[:, None] - np.array(planes)[None, :])
    near = (away <= dof_mm / 2).any(axis=1) if planes else np.zeros(points.size, bool)
    choice = score_frames(planes, dof_mm=dof_mm, near_mm=0.0, far_mm=1.0)
    assert choice.covered_share == pytest.approx(near.mean(), abs=2e-3)
    assert choice.covered_share + choice.largest_gap_mm <= 1 + 1e-9
    assert not choice.redundancy < -1e-9
    assert not choice.wasted_share < 0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"focus_mm": [[0.1]]}, r"finite list of planes, got shape \(1, 1\)"),
        ({"focus_mm": [math.nan]}, "focus_mm must be a finite list of planes"),
        ({"dof_mm": 0.0}, "dof_mm must be positive and finite, got 0.0"),
        ({"near_mm": 1.0}, "near_mm must be less than far_mm, got 1.0 and 1.0"),
    ],
)
def test_bad_input_is_named(change: dict, message: str) -> None:
    """What is wrong and what was got."""
    with pytest.raises(ValueError, match=message):
        score_frames(**({"focus_mm": [0.1]} | WANTED | change))
