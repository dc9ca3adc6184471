"""A stack whose checksums are right and whose files are not what a stack's files are."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from stacktruth.ground.pictures import encode_map
from stacktruth.simulator.loading.scenes import load_scene
from stacktruth.simulator.rig import load_rig
from stacktruth.simulator.shooting.shoot import shoot
from stacktruth.simulator.stack.manifest import StackError
from stacktruth.simulator.stack.stackio import Stack, read_stack, write_stack


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a stack of two frames."""
    plan = shoot(load_scene("ramp"), load_rig("field-2x"), frames=2, crop=(384, 256), bin=8)
    return write_stack(plan, tmp_path_factory.mktemp("agreed") / "stack", progress=False)


@pytest.fixture
def folder(written: Path, tmp_path: Path) -> Path:
    """Return a copy of it, to be spoiled."""
    return Path(shutil.copytree(written, tmp_path / "stack"))


CASES: dict[str, tuple[str, object, Callable[[Stack], object], str]] = {
    "a list": ("frames.json", [], lambda stack: stack.info, "frames.json: key 'file'"),
    "no sides": (
        "frames.json",
        {"frames": [{"file": "x"}], "reference": 0},
        lambda s: s.info,
        "px",
    ),
    "no file": ("frames.json", {"frames": [{}]}, lambda s: s.frames, "frames.0.file"),
    "far reference": (
        "frames.json",
        {"frames": [{"file": "x"}], "reference": 7, "width_px": 4, "height_px": 4},
        lambda stack: stack.frames,
        "'reference': got 7, allowed 0 to 0",
    ),
    "a huge side": (
        "frames.json",
        {"frames": [{"file": "x"}], "reference": 0, "width_px": 10**9, "height_px": 4},
        lambda stack: stack.frames,
        "width_px",
    ),
    "text for a number": ("truth/truth.json", {"reference": "0"}, lambda s: s.truth, "got '0'"),
    "no reference": ("truth/truth.json", {}, lambda stack: stack.truth, "reference"),
    "a map with colours": (
        "truth/depth_mm.tif",
        np.zeros((32, 48, 3), np.float32),
        lambda stack: stack.truth,
        r"depth_mm.tif: got an array \(32, 48, 3\) of float32, expected numbers in \(32, 48\)",
    ),
    "a picture without": (
        "truth/ideal.tif",
        np.zeros((32, 48), np.float32),
        lambda stack: stack.truth,
        r"ideal.tif: got .* expected numbers in \(32, 48, 3\)",
    ),
    "another size": ("truth/regions.tif", np.zeros((5, 5), np.uint8), lambda s: s.truth, "5, 5"),
    "bytes": ("truth/frames.csv", b"a,b\n\xff,1\n", lambda s: s.records, "no table of numbers"),
    "words": ("truth/frames.csv", b"a,b\nx,1\n", lambda s: s.records, "could not convert"),
    "a long line": (
        "truth/frames.csv",
        b"a,b\n1,2,3\n",
        lambda s: s.records,
        "more or fewer values in line 2",
    ),
    "a short line": (
        "truth/frames.csv",
        b"a,b\n1,2\n1\n",
        lambda s: s.records,
        "more or fewer values in line 3",
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_a_file_that_is_not_what_it_should_be_is_named(folder: Path, name: str) -> None:
    """By file and key, with what was got and what is allowed."""
    file, held, use, says = CASES[name]
    data = (
        held
        if isinstance(held, bytes)
        else json.dumps(held).encode()
        if not isinstance(held, np.ndarray)
        else encode_map(held)
    )
    (folder / file).write_bytes(data)
    with pytest.raises(StackError, match=says) as caught:
        use(read_stack(folder, verify=False))
    assert Path(file).name in str(caught.value)
    assert "\n" not in str(caught.value)
