"""Tests of the skew that a moving picture takes from a rolling read-out."""

import numpy as np

from stacktruth.simulator import load_rig
from stacktruth.simulator.blur.smear import image_speed_px_per_s, rolled
from stacktruth.simulator.handling.hands import Hands, load_stance
from stacktruth.simulator.view.camera import Camera


def waves(row: np.ndarray, column: np.ndarray) -> np.ndarray:
    """Return a smooth picture that can be evaluated anywhere."""
    return 0.5 + 0.4 * np.sin(column / 9) * np.cos(row / 11)


def test_rows_are_read_where_the_picture_is_by_then() -> None:
    """Row r shows what is at r - v t(r); t(r) is its read-out time from the middle row."""
    rows, columns = np.mgrid[:120, :180].astype(np.float32)
    picture = np.repeat(waves(rows, columns)[..., None], 3, axis=2).astype(np.float32)
    got = rolled(picture, (30.0, 100.0), 0.05)[..., 0]
    time_s = 0.05 * (rows - 119 / 2) / 120
    expected = waves(rows - 30 * time_s, columns - 100 * time_s)
    inner = np.s_[10:-10, 10:-10]
    np.testing.assert_allclose(got[inner], expected[inner], atol=1e-4)
    assert np.abs(got - picture[..., 0])[inner].max() > 0.05


def test_no_read_out_time_changes_nothing() -> None:
    """All rows read at once are the picture itself."""
    picture = np.random.default_rng(1).random((20, 30, 3), np.float32)
    assert rolled(picture, (500.0, 500.0), 0.0) is picture


def test_image_speed_is_that_of_the_place() -> None:
    """The speed on the sensor is the change of the projected point over a short time.

    Away from the axis roll and advance add a little (41 mrad/s at 400 px are 17 px/s).
    """
    stance = load_stance("standing")
    hands = Hands(stance, until_s=1.0, seed=3, scene="speed")
    rig = load_rig("field-1x")
    point = np.zeros(3)
    places = []
    for time_s in (0.49999, 0.50001):
        pose = hands.poses([time_s])[0]
        row, column, _ = Camera(rig, pose).project(point)
        places.append(np.array([row, column]))
    expected = (places[1] - places[0]) / 2e-5
    got = image_speed_px_per_s(hands, Camera(rig, hands.poses([0.5])[0]), 0.5)
    np.testing.assert_allclose(got, expected, rtol=0.02, atol=30.0)
