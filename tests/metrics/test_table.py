"""The registry and the rows made from it."""

import math

import pytest

from stacktruth.metrics import METRICS, long_rows, metric, wide_row
from stacktruth.metrics.image import image
from stacktruth.metrics.record import Metric
from stacktruth.metrics.registry import collect

SCORES = {"valid": {"psnr_db": 31.5}, "fibres": {"psnr_db": math.nan, "sharpness_kept": math.nan}}


def test_rows_say_unit_direction_and_why_there_is_no_number() -> None:
    """One row per region and metric, labels first."""
    rows = long_rows(SCORES, method="mean")
    assert rows[0] == {
        "method": "mean", "region": "valid", "metric": "psnr_db", "value": 31.5,
        "unit": "dB", "direction": "higher", "status": "ok",
    }  # fmt: skip
    assert [row["status"] for row in rows[1:]] == [
        "no pixel to score",
        "no pixel to score, or the reference has no detail here",
    ]


def test_a_wide_row_names_regions_after_the_metric() -> None:
    """The whole picture has the bare name."""
    row = wide_row(SCORES, prefix="total.", seed=3)
    assert list(row) == ["seed", "total.psnr_db", "total.psnr_db.fibres",
                         "total.sharpness_kept.fibres"]  # fmt: skip


def test_a_name_used_twice_is_refused() -> None:
    """Two metrics of one name would overwrite each other."""
    with pytest.raises(ValueError, match="metric name 'psnr_db' is used twice"):
        collect(image.METRICS, image.METRICS)


def test_an_unknown_metric_is_named() -> None:
    """The message lists what there is."""
    with pytest.raises(ValueError, match="no metric is called 'beauty'; there are psnr_db, ssim"):
        metric("beauty")


def test_better_knows_the_direction() -> None:
    """Higher, lower or nearest to the best value; NaN is never better."""
    assert metric("psnr_db").better(31.0, 30.0)
    assert metric("ciede2000_mean").better(1.0, 2.0)
    assert metric("sharpness_kept").better(0.9, 1.2)
    assert not metric("psnr_db").better(math.nan, 30.0)
    assert not metric("sharpness_kept").better(1.0, math.nan)


def test_every_metric_is_complete() -> None:
    """Title, reference, a known direction, and a unit at the end of a name with one."""
    for name, entry in METRICS.items():
        assert name == entry.name
        assert entry.title
        assert entry.reference
        assert entry.function.__doc__
        if name.endswith(("_mm", "_db", "_px")):
            assert entry.unit


@pytest.mark.parametrize(
    ("change", "message"),
    [({"group": "taste"}, "group must be one of"), ({"best": 2.0}, "best 2.0 is outside")],
)
def test_a_wrong_record_is_refused(change: dict, message: str) -> None:
    """A group outside the list and a best value outside the range."""
    good = {"name": "x", "title": "x", "group": "image", "direction": "lower", "best": 0.0,
            "range": (0.0, 1.0), "function": math.sqrt, "reference": "ours"}  # fmt: skip
    with pytest.raises(ValueError, match=message):
        Metric(**(good | change))
