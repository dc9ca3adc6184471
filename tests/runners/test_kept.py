"""What ``score --keep`` leaves: pictures and maps that hold the scores, and a page of them."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tifffile
from imagecodecs import png_decode
from skimage.metrics import peak_signal_noise_ratio

from stacktruth.ground.srgb import clipped_srgb
from stacktruth.runners.bench.report.kept import folder_names
from stacktruth.runners.cli import main
from stacktruth.runners.contract import Outcome
from stacktruth.runners.judge.scoring import Scored
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.shooting.shoot import shoot
from stacktruth.simulator.stack.stackio import Stack, read_stack, write_stack


@pytest.fixture(scope="module")
def stack(tmp_path_factory: pytest.TempPathFactory) -> Stack:
    """Write a small stack of a shell, shot by hand."""
    plan = shoot(
        load_scene("snail-shell"), load_rig("field-2x"), stance="braced",
        light="flash-sixteenth", seed=1, crop=(768, 512), bin=4, frames=4,
    )  # fmt: skip
    return read_stack(write_stack(plan, tmp_path_factory.mktemp("s") / "shell", progress=False))


@pytest.fixture(scope="module")
def kept(stack: Stack, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Score two methods and one that fails, and keep what there is to see."""
    place = tmp_path_factory.mktemp("kept")
    (place / "bad.py").write_text("def merge(frames, info):\n    raise ValueError('<b>no</b>')\n")
    methods = ["--method", "focus-map", "--method", "mean", "--method", f"{place}/bad.py:merge"]
    assert main(["score", str(stack.path), *methods, "--keep", str(place / "out")]) == 1
    return place / "out"


def test_the_merged_picture_has_the_score(kept: Path, stack: Stack) -> None:
    """scikit-image finds the row's dB in the 16-bit picture, where the error map is judged."""
    rows = pd.read_csv(kept / "scores.csv").set_index("method")
    for name in ("focus-map", "mean"):
        picture = png_decode((kept / name / "merged.png").read_bytes()) / 65535
        error = tifffile.imread(kept / name / "error.tif")
        judged = np.isfinite(error)
        ideal = clipped_srgb(stack.truth.ideal)
        found = peak_signal_noise_ratio(ideal[judged], picture[judged], data_range=1.0)
        assert found == pytest.approx(rows.loc[name, "total.psnr_db"], abs=0.01)
        largest = np.abs(picture - ideal).max(axis=2)
        np.testing.assert_allclose(error[judged], largest[judged], atol=2e-5)


def test_depth_and_its_error_are_kept_where_there_is_a_depth(kept: Path, stack: Stack) -> None:
    """The error map has the row's rms error; the mean has no depth and no such files."""
    rows = pd.read_csv(kept / "scores.csv").set_index("method")
    error = tifffile.imread(kept / "focus-map" / "depth_error_mm.tif")
    valid = stack.truth.mask("valid") & np.isfinite(error)
    rmse = np.sqrt(np.mean(np.square(error[valid].astype(float))))
    assert rmse == pytest.approx(rows.loc["focus-map", "depth.depth_rmse_mm"], rel=0.05)
    assert not list((kept / "mean").glob("depth*"))
    blur = tifffile.imread(kept / "mean" / "never_sharp.tif")
    known = stack.truth.mask("valid")
    np.testing.assert_array_equal(blur[known], stack.truth.residual_blur_px[known])


def test_the_page_holds_all_and_reaches_out_to_nothing(kept: Path) -> None:
    """Both methods to slide and blink, each kind of map, the failure as text, no address."""
    page = (kept / "index.html").read_text()
    for words in ("What was invented", "What was never sharp", "Depth error of focus-map", "Blink"):
        assert words in page
    assert "ValueError: &lt;b&gt;no&lt;/b&gt;" in page
    assert "<b>no" not in page
    sources = re.findall(r'(?:src|href)="([^"]*)"', page)
    assert sources
    assert all(source.startswith("data:") for source in sources)
    labels = re.findall(r"<figcaption>([^<]*)</figcaption>", page)
    assert any(label.startswith("focus-map, ") for label in labels)
    assert "capture limit" in labels


def test_a_finished_file_is_kept_in_its_own_view(
    kept: Path, stack: Stack, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A frame turned over and cut comes back upright, in the frames' size."""
    frame = stack.frames[3]
    tifffile.imwrite(tmp_path / "x.tif", frame[8:, 12:][::-1, ::-1], photometric="rgb")
    out = tmp_path / "out"
    argv = ["score", str(stack.path), "--image", str(tmp_path / "x.tif"), "--keep", str(out)]
    assert main([*argv, "--reference", "3"]) == 0
    row = pd.read_csv(out / "scores.csv").iloc[0]
    assert "turned by 180 degrees" in row["brought"]
    picture = png_decode((out / "x-tif" / "merged.png").read_bytes()) / 65535
    assert picture.shape == frame.shape
    inner = (slice(20, -8), slice(24, -8))
    # But for its exposure, which is brought to the scene's.
    assert np.corrcoef(frame[inner].ravel(), picture[inner].ravel())[0, 1] > 0.999
    # What is there is left alone.
    assert main([*argv]) == 2
    assert "exists already" in capsys.readouterr().err


def test_folders_have_safe_names_of_their_own() -> None:
    """Whatever methods are called."""
    names = ["a/b:c", "A b c", "../..", "x" * 99, "focus-map+true-warp"]
    made = folder_names(
        [Scored(row={"method": name}, outcome=Outcome(status="ok")) for name in names]
    )
    assert made == ["a-b-c", "A-b-c-2", "method", "x" * 60, "focus-map+true-warp"]
