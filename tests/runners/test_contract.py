"""What counts as a result, and how depth in frames becomes millimetres."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from stacktruth.runners.contract import STATUSES, InvalidOutput, Outcome, as_result, depth_to_mm

INFO = {"frames": [{"file": f"{i}.tif"} for i in range(4)], "height_px": 5, "width_px": 7}
IMAGE = np.full((5, 7, 3), 9, dtype=np.uint16)


def test_statuses_are_the_closed_list_of_the_table() -> None:
    """The six ways a run can end, no more."""
    assert STATUSES == ("ok", "skipped", "failed", "timed-out", "killed", "invalid-output")


def test_an_array_a_mapping_and_an_object_are_all_results() -> None:
    """The three forms give the same picture."""
    forms = [IMAGE, {"image": IMAGE}, SimpleNamespace(image=IMAGE)]
    for form in forms:
        np.testing.assert_array_equal(as_result(form, info=INFO).image, IMAGE)


def test_every_part_of_a_result_comes_through() -> None:
    """Depth becomes float32, indices plain numbers."""
    made = {
        "image": IMAGE,
        "depth": np.full((5, 7), 2),
        "reference": np.int64(1),
        "used": np.array([3, 1, 0]),
    }
    result = as_result(made, info=INFO)
    assert result.depth is not None
    assert result.depth.dtype == np.float32
    assert (result.reference, result.used, result.depth_unit) == (1, (3, 1, 0), "frame")


def test_a_float_image_is_clipped_to_its_range() -> None:
    """A pyramid's small overshoot is cut off as a file would."""
    image = np.full((5, 7, 3), 1.1)
    image[0] = -0.1
    result = as_result(image, info=INFO).image
    assert result.dtype == np.float32
    assert (result.min(), result.max()) == (0.0, 1.0)


def _depth(value: float) -> dict:
    return {"image": IMAGE, "depth": np.full((5, 7), value)}


@pytest.mark.parametrize(
    ("made", "message"),
    [
        (None, "without 'image', allowed an array"),
        ({"depth": IMAGE}, "without 'image', allowed an array"),
        (IMAGE[:, :, 0], r"shape \(5, 7\), expected \(5, 7, 3\)"),
        (IMAGE[:4], r"shape \(4, 7, 3\)"),
        (
            np.zeros((5, 7, 4)),
            "image: got 4 channels, allowed 3: hand over red, green and blue without",
        ),
        (IMAGE.astype(np.int32), "type int32"),
        (np.full((5, 7, 3), np.nan), "got 105 values that are NaN"),
        (np.full((5, 7, 3), 200.0), "got floats of 200 to 200, allowed 0..1"),
        ({"image": IMAGE, "depth": IMAGE}, r"depth: got shape \(5, 7, 3\)"),
        ({"image": IMAGE, "depth": np.full((5, 7), "x")}, "depth: got type <U1"),
        (_depth(np.inf), "depth: got infinite values"),
        (_depth(9.0), r"got frames 9 to 9, allowed 0..3"),
        ({"image": IMAGE, "confidence": np.zeros((5, 7))}, "confidence: got it without a depth"),
        (
            {"image": IMAGE, "depth": np.zeros((5, 7)), "confidence": np.zeros((4, 7))},
            r"confidence: got shape \(4, 7\), expected \(5, 7\)",
        ),
        (
            {"image": IMAGE, "depth": np.zeros((5, 7)), "confidence": np.full((5, 7), "x")},
            "confidence: got type <U1",
        ),
        ({"image": IMAGE, "depth_unit": "inch"}, "depth_unit: got 'inch', allowed frame, mm"),
        ({"image": IMAGE, "reference": 4}, "reference: got frame 4, allowed 0..3"),
        ({"image": IMAGE, "reference": 1.5}, "reference: got 1.5, allowed a frame index"),
        ({"image": IMAGE, "reference": True}, "reference: got True, allowed a frame index"),
        ({"image": IMAGE, "used": []}, "used: got no frame"),
        ({"image": IMAGE, "used": "01"}, "used: got '01', allowed a list"),
        ({"image": IMAGE, "used": [0, -1]}, "used: got frame -1"),
    ],
)
def test_what_is_no_result_is_refused_with_the_reason(made: object, message: str) -> None:
    """Each kind of wrong output names what was wrong and what was got."""
    with pytest.raises(InvalidOutput, match=message):
        as_result(made, info=INFO)


def test_unknown_depth_is_allowed() -> None:
    """NaN says that the method does not know."""
    result = as_result(_depth(np.nan), info=INFO)
    assert result.depth is not None
    assert np.isnan(result.depth).all()


def test_depth_in_frames_counts_in_the_order_of_used() -> None:
    """Half-way between the first and second used frame lies half-way between their planes."""
    made = _depth(0.5) | {"used": [3, 1, 0]}
    depth_mm = depth_to_mm(as_result(made, info=INFO), [0.0, 10.0, 20.0, 40.0])
    assert depth_mm is not None
    np.testing.assert_allclose(depth_mm, 25.0)


def test_depth_in_millimetres_is_left_alone() -> None:
    """The unit says that nothing is to be turned."""
    result = as_result(_depth(123.0) | {"depth_unit": "mm"}, info=INFO)
    depth_mm = depth_to_mm(result, [0.0, 1.0, 2.0, 3.0])
    assert depth_mm is not None
    np.testing.assert_array_equal(depth_mm, 123.0)


def test_an_outcome_is_true_only_when_there_is_a_result() -> None:
    """A failure can be asked for in one word."""
    assert Outcome(status="ok")
    assert not Outcome(status="killed")
