"""A small real benchmark with hostile names, run once for all tests of its page."""

import fcntl
import json
import shutil
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pytest
from pydantic import TypeAdapter

from stacktruth.runners.bench import bench, load_suite
from stacktruth.runners.bench.grid.suite import Suite
from stacktruth.runners.bench.ranking.metric_column import LOST
from stacktruth.runners.bench.report.report import write_report
from stacktruth.simulator.data import find_data_file

#: In the names of a scene and a method and in the text of an error; no slash, for files bear it.
HOSTILE = "x\"'><img src=x onerror=alert(1)><script>alert(2)<b>"

_MERGE = '''
import numpy as np


def merge(frames, info):
    """Give the first frame, in its own view, as deep as it is focused."""
    return {"image": frames[0], "depth": np.zeros(frames.shape[1:3]), "reference": 0}


def fail(frames, info):
    raise ValueError(%r)
'''
_SUITE = """
title = '''%(hostile)s'''
scenes = ["pickets", '''%(scene)s''']
stances = ["braced"]
methods = ["oracle", "focus-map", "mean", '''%(file)s:merge''', '''%(file)s:fail''']
frames = 3
crop = [2048, 1536]
bin = 8
"""


@dataclass(frozen=True)
class SmallBench:
    """A suite's file and the folder that it was run in."""

    suite: Path
    folder: Path


@pytest.fixture(scope="session")
def small_bench(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> SmallBench:
    """Run two scenes, one with a hostile name, and five methods, one of which fails."""
    place = tmp_path_factory.getbasetemp()
    shared = (place if worker_id == "master" else place.parent) / "small-bench"
    shared.mkdir(exist_ok=True)
    suite, folder = shared / "small.toml", shared / "out"
    with (shared / "lock").open("w") as lock:  # the workers of pytest-xdist share it
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / "rows.csv").exists():
            file, scene = shared / f"{HOSTILE}.py", shared / f"{HOSTILE}.toml"
            file.write_text(_MERGE % HOSTILE)
            shutil.copy(find_data_file("ramp", kind="scene"), scene)
            suite.write_text(_SUITE % {"hostile": HOSTILE, "scene": scene, "file": file})
            bench(load_suite(suite), folder, progress=False, say=lambda _: None)
    return SmallBench(suite, folder)


@pytest.fixture(scope="session")
def hostile() -> str:
    """Return the text that must stay text."""
    return HOSTILE


#: Lost on every scene, dB: in one stance the one is better, in the other the other.
LOSSES = {"stepped": {"focus-map": 1, "wavelet": 3}, "braced": {"focus-map": 5, "wavelet": 3}}


@pytest.fixture(scope="session")
def two_stances() -> pd.DataFrame:
    """Return rows of two methods on seven scenes in two stances and, braced alone, two rigs."""
    return pd.DataFrame(
        {
            "suite": "tiny", "cell_key": f"{scene}-{stance}-{rig}-{name}", "condition": "plain",
            "severity": 0, "value": None, "scene": scene, "stance": stance, "rig": rig,
            "light": "flash-sixteenth", "method": name, "status": "ok",
            "total.psnr_db": 40.0 - lost,
            "capture.psnr_db": 44.0, "selection.psnr_db": 42.0, LOST: lost + 0.01 * at,
        }
        for stance, own in LOSSES.items()
        for rig in ("field-1x", "field-2x")[: 1 + (stance == "braced")]
        for at, scene in enumerate("abcdefg")
        for name, lost in own.items()
    )  # fmt: skip


@pytest.fixture(scope="session")
def page_of_two_stances(
    tmp_path_factory: pytest.TempPathFactory, two_stances: pd.DataFrame
) -> Path:
    """Write the page of these rows."""
    folder = tmp_path_factory.mktemp("stances")
    suite = Suite(name="tiny", title="", scenes=("ramp",), methods=("focus-map", "wavelet"))
    (folder / "suite.json").write_text(
        json.dumps(TypeAdapter(Suite).dump_python(suite, mode="json"))
    )
    two_stances.to_csv(folder / "rows.csv", index=False)
    return write_report(folder)
