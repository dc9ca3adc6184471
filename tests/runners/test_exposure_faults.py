"""Constructed faults of tone and colour: each ends low with a reason, or is refused with one."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from PIL import Image as Pillow
from PIL import ImageCms
from scipy.ndimage import gaussian_filter

from stacktruth.ground.srgb import LUMA, clipped_srgb, encode_srgb
from stacktruth.runners.contract import Outcome, Result
from stacktruth.runners.judge.finished import score_files
from stacktruth.runners.judge.memory_stack import MemoryStack
from stacktruth.runners.judge.scoring import Judge
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.handling.approach import Approach
from stacktruth.simulator.handling.hands import Stance
from stacktruth.simulator.shooting.shoot import shoot


@pytest.fixture(scope="module", name="judge")
def coloured() -> Judge:
    """Judge a coloured shell in three frames from a support, by flash, without noise."""
    plan = shoot(
        load_scene("snail-shell"),
        load_rig("field-2x"),
        stance=Stance(name="support"),
        light="flash-128th",
        approach=Approach(kind="stepped", start_mm=0.3, step_mm=0.5),
        frames=3,
        crop=(1280, 960),
        bin=5,
        noise=False,
    )
    return Judge(MemoryStack(plan))


def row(judge: Judge, encoded: np.ndarray) -> pd.Series:
    """Return the row of a picture, sRGB-encoded, handed in as a result."""
    result = Result(image=np.clip(encoded, 0, 1).astype(np.float32))
    return pd.Series(judge.score(Outcome(status="ok", result=result), name="given").row)


def light_of(judge: Judge) -> np.ndarray:
    """Return the ideal picture's light, cut at white."""
    return np.clip(judge.truth().ideal, 0, 1)


def ideal_of(judge: Judge) -> np.ndarray:
    """Return the ideal picture, sRGB-encoded."""
    return clipped_srgb(judge.truth().ideal)


def noisy(judge: Judge, level: float) -> np.ndarray:
    """Add noise to the ideal picture."""
    ideal = ideal_of(judge)
    return ideal + level * np.random.default_rng(1).standard_normal(ideal.shape)


def soft(judge: Judge, sigma_px: float) -> np.ndarray:
    """Blur the ideal picture."""
    return gaussian_filter(ideal_of(judge), (sigma_px, sigma_px, 0))


def darker(judge: Judge, stops: float) -> np.ndarray:
    """Take light from the ideal picture."""
    return clipped_srgb(judge.truth().ideal * np.float32(2.0**-stops))


def paler(judge: Judge, share: float) -> np.ndarray:
    """Leave a share of the ideal picture's colour."""
    ideal = ideal_of(judge)
    return share * ideal + (1 - share) * (ideal @ LUMA)[..., None]


def one_frame(judge: Judge) -> np.ndarray:
    """Return the reference frame alone."""
    return judge.stack.frames[judge.truth().reference] / np.float32(65535)


#: From best to worst; those of one line may stand in any order.
ORDER: tuple[dict[str, Callable[[Judge], np.ndarray]], ...] = (
    {"the ideal": ideal_of},
    {"hardly noisy": lambda judge: noisy(judge, 0.004)},
    {"slightly noisy": lambda judge: noisy(judge, 0.01)},
    {"slightly soft": lambda judge: soft(judge, 0.6)},
    {"soft": lambda judge: soft(judge, 1.0)},
    {"half a stop dark": lambda judge: darker(judge, 0.5)},
    {"gamma 1.8 for sRGB": lambda judge: light_of(judge) ** (1 / 1.8)},
    {"half exposure": lambda judge: darker(judge, 1.0)},
    {
        "linear for sRGB": light_of,
        "sRGB twice": lambda judge: encode_srgb(ideal_of(judge)),
    },
    {
        "grey": lambda judge: paler(judge, 0.0),
        "red and blue exchanged": lambda judge: ideal_of(judge)[..., ::-1],
        "channels turned round": lambda judge: ideal_of(judge)[..., (1, 2, 0)],
    },
)
MADE = {name: make for line in ORDER for name, make in line.items()}


@pytest.fixture(scope="module", name="rows")
def all_rows(judge: Judge) -> pd.DataFrame:
    """Return the rows of all faults; what is refused scores least of all."""
    found = pd.DataFrame({name: row(judge, make(judge)) for name, make in MADE.items()}).T
    found["score"] = found["total.psnr_db"].astype(float).fillna(-np.inf)
    return found


def test_scores_are_in_the_order_of_a_careful_person(rows: pd.DataFrame) -> None:
    """Each line of faults lies at least a decibel below the line before."""
    scores = [rows.loc[list(line), "score"] for line in ORDER]
    shown = rows[["status", "score"]].to_string()
    for better, worse in pairwise(scores):
        assert better.min() > worse.max() + 1, shown


def test_a_grey_picture_does_not_beat_one_colour_frame(judge: Judge) -> None:
    """Nor does a picture with a fifth of the colour; with a third its colours are the worse."""
    frame = row(judge, one_frame(judge))
    assert frame["status"] == "ok"
    assert row(judge, paler(judge, 0.2))["status"] == "invalid-output"
    pale = row(judge, paler(judge, 1 / 3))
    assert pale["status"] == "ok"
    assert "stops of red, green, blue" in pale["exposure_remark"]
    assert pale["total.ciede2000_mean"] > frame["total.ciede2000_mean"]


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("grey", "the picture is grey, the frames are coloured: it has 0% of their colour"),
        ("red and blue exchanged", "exchanged: they hold blue, green, red, expected red, green"),
        ("channels turned round", "exchanged: they hold green, blue, red, expected red, green"),
    ],
)
def test_wrong_colours_are_refused_with_a_sentence(
    rows: pd.DataFrame, name: str, reason: str
) -> None:
    """The row has status and reason, and no score."""
    assert rows.loc[name, "status"] == "invalid-output"
    assert reason in rows.loc[name, "reason"]
    assert pd.isna(rows.loc[name, "total.psnr_db"])


@pytest.mark.parametrize(
    ("name", "remark"),
    [
        ("half exposure", "needs +1.00, +1.00, +1.00 stops of red, green, blue; forgiven"),
        ("half a stop dark", "needs +0.50, +0.50, +0.50 stops"),
        ("sRGB twice", "stops of red, green, blue; forgiven beyond the frames' own exposure: 0.17"),
        ("linear for sRGB", "wrong transfer curve: brightness goes with the light to the power of"),
        ("gamma 1.8 for sRGB", "wrong transfer curve: brightness goes with the light to the power"),
    ],
)
def test_a_low_score_has_its_reason(rows: pd.DataFrame, name: str, remark: str) -> None:
    """The row says what is wrong with the exposure."""
    assert rows.loc[name, "status"] == "ok"
    assert remark in rows.loc[name, "exposure_remark"]


def test_nothing_is_said_where_nothing_is_wrong(rows: pd.DataFrame) -> None:
    """Noise and blur are no fault of exposure."""
    for name in ("the ideal", "hardly noisy", "slightly noisy", "slightly soft", "soft"):
        assert rows.loc[name, "exposure_remark"] == ""
        assert rows.loc[name, "gain_stops"] == pytest.approx(0.0, abs=0.05)
        assert rows.loc[name, "colour_kept"] == pytest.approx(1.0, abs=0.02)


def test_colours_are_scored_as_they_are_seen(judge: Judge) -> None:
    """A seventh of a stop is forgiven in decibels, not in CIEDE2000."""
    found = row(judge, darker(judge, 1 / 7))
    assert found["total.psnr_db"] > 60
    assert found["total.ciede2000_mean"] > 1


@pytest.mark.parametrize("bits", [8, 12])
def test_values_of_fewer_bits_are_refused_with_a_sentence(judge: Judge, bits: int) -> None:
    """A frame's values from 0 to 4095, say, in a picture of 16 bits: white is 65535 there."""
    few = np.rint(one_frame(judge) * (2**bits - 1)).astype(np.uint16)
    found = row(judge, few / np.float32(65535))
    assert found["status"] == "invalid-output"
    assert f"values of {bits} bits on a scale of 16" in found["reason"]
    assert f"scaled by {2 ** (16 - bits)}" in found["reason"]


@pytest.mark.parametrize("stops", [4.0])
def test_a_picture_short_of_light_is_no_wrong_scale(judge: Judge, stops: float) -> None:
    """Its dark parts lie farther below the scene's than its bright ones, on the sRGB curve."""
    assert "bits" not in row(judge, darker(judge, stops))["reason"]


def test_files_whose_values_are_other_colours_are_refused(judge: Judge, tmp_path: Path) -> None:
    """A file that is half transparent, and one in a profile of Lab: a status and a sentence."""
    levels = np.rint(255 * np.clip(ideal_of(judge), 0, 1)).astype(np.uint8)
    clear = np.dstack([levels, np.full(levels.shape[:2], 128, np.uint8)])
    lab = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    Pillow.fromarray(clear).save(tmp_path / "clear.png")
    Pillow.fromarray(levels).save(tmp_path / "lab.png", icc_profile=lab)
    for name, reason in (
        ("clear", "clear.png has an opacity channel: got 100.0% of it not opaque"),
        ("lab", "lab.png: got the colour profile"),
    ):
        row = score_files(judge, tmp_path / f"{name}.png", name=name).row
        assert row["status"] == "invalid-output"
        assert reason in row["reason"]
