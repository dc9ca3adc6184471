"""The page of the stack folder is enough: a script that read nothing else writes and reads one."""

import ast
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tifffile

from stacktruth.runners.cli import main
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.shooting.shoot import shoot
from stacktruth.simulator.stack.stackio import read_stack, write_stack

SCRIPT = Path(__file__).parents[1] / "stack_by_hand.py"


def by_hand(*asked):
    """Run the script in a process of its own, where nothing of ours can be imported."""
    ran = subprocess.run(
        [sys.executable, "-I", str(SCRIPT), *map(str, asked)],
        capture_output=True,
        text=True,
        check=True,
        env={},
    )
    return ran.stdout


def test_the_script_uses_nothing_of_ours():
    """It imports the standard library, numpy, scipy and tifffile."""
    imports = [
        node.names[0].name if isinstance(node, ast.Import) else node.module
        for node in ast.walk(ast.parse(SCRIPT.read_text()))
        if isinstance(node, ast.Import | ast.ImportFrom)
    ]
    allowed = {"csv", "hashlib", "json", "sys", "pathlib", "numpy", "tifffile", "scipy"}
    assert set(imports) <= allowed


def test_a_stack_written_by_hand_is_sound(tmp_path, capsys):
    """check-stack finds nothing wrong; with one byte changed it does."""
    by_hand("write", tmp_path / "mine")
    assert main(["check-stack", str(tmp_path / "mine")]) == 0
    assert "sound, 15 files, 3 frames" in capsys.readouterr().out
    table = tmp_path / "mine" / "truth" / "frames.csv"
    table.write_bytes(table.read_bytes().replace(b"0.5", b"0.6", 1))
    assert main(["check-stack", str(tmp_path / "mine")]) == 1
    assert "truth/frames.csv was changed" in capsys.readouterr().out


def test_a_stack_written_by_hand_holds_its_own_truth(tmp_path):
    """Each card taken from the frame in which it is sharp is the ideal picture but for rounding."""
    by_hand("write", tmp_path / "mine")
    near, _, far = read_stack(tmp_path / "mine").frames
    image = np.where(np.arange(near.shape[1])[:, None] < near.shape[1] // 2, near, far)
    tifffile.imwrite(tmp_path / "merged.tif", image, photometric="rgb")
    scores = json.loads(by_hand("score", tmp_path / "mine", tmp_path / "merged.tif"))
    assert scores["total.psnr_db_as_given"] > 60


@pytest.mark.parametrize("scene", ["pickets", pytest.param("sticky-leaf", marks=pytest.mark.slow)])
def test_a_picture_is_scored_by_hand_as_by_us(tmp_path, scene):
    """PSNR over all regions within 0.01 dB, and the mean depth error, by the page's definitions."""
    plan = shoot(load_scene(scene), load_rig("field-2x"), frames=3, crop=(768, 512), bin=8)
    stack = read_stack(write_stack(plan, tmp_path / "stack", progress=False))
    frame = stack.frames[stack.info["reference"]]
    tifffile.imwrite(tmp_path / "one.tif", frame, photometric="rgb")
    guess = np.full(frame.shape[:2], 0.2, np.float32)
    guess[:20] = np.nan
    tifffile.imwrite(tmp_path / "guess.tif", guess)
    asked = ["score", str(stack.path), "--image", str(tmp_path / "one.tif"), "--depth-unit", "mm"]
    asked += ["--depth", str(tmp_path / "guess.tif"), "--reference", str(stack.info["reference"])]
    assert main([*asked, "--csv", str(tmp_path / "ours.csv")]) == 0
    ours = pd.read_csv(tmp_path / "ours.csv").iloc[0]
    hand = json.loads(by_hand("score", stack.path, tmp_path / "one.tif", tmp_path / "guess.tif"))
    assert len(hand) > 5
    for name, value in hand.items():
        if name.startswith("capture."):  # or what a choice among frames shows, where that errs less
            assert value - 0.01 <= ours[name] < value + 3, name
        else:
            assert ours[name] == pytest.approx(value, abs=0.01 if "psnr" in name else 1e-4), name
