"""A small real benchmark with hostile names, run once for all tests of its page."""

import fcntl
import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

from stacktruth.runners.bench import bench, load_suite
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
