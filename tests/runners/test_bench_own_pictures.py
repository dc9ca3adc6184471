"""A benchmark goes on only with the pictures that it was begun with."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np

from stacktruth.ground.pictures import encode_image
from stacktruth.runners.bench import load_suite
from stacktruth.runners.bench.grid.cells import cells_of

from .bench_suites import run, write_suite

SCENE = """
field_mm = [11.7, 7.8]
depth_mm = [-1.0, 0.5]
[[surface]]
name = "card"
relief = { kind = "heights", file = "mine.png", width_mm = 12, white_mm = 1 }
texture = { kind = "picture", file = "mine.png", width_mm = 4 }
"""


def home(folder: Path, *, seed: int) -> Path:
    """Make a folder with a scene and its picture; return the scene's path."""
    folder.mkdir()
    grain = np.random.default_rng(seed).integers(0, 255, (40, 60), np.uint8)
    (folder / "mine.png").write_bytes(encode_image(grain, ".png"))
    (folder / "card.toml").write_text(SCENE)
    return folder / "card.toml"


def test_cells_are_known_by_what_their_pictures_hold(tmp_path: Path) -> None:
    """The same content in another folder is the same cell; another content is another one."""
    keys = []
    for name, seed in (("one", 1), ("two", 1), ("three", 2)):
        scene = home(tmp_path / name, seed=seed)
        suite = load_suite(write_suite(tmp_path, scenes=[str(scene)], methods=["mean"]))
        keys.append([cell.key for cell in cells_of(suite)])
    assert keys[0] == keys[1]
    assert not set(keys[0]) & set(keys[2])


def test_a_benchmark_goes_on_with_the_same_picture_alone(tmp_path: Path) -> None:
    """What is done is kept after a move of the scene; a changed picture is shot again."""
    scene, out = home(tmp_path / "one", seed=1), tmp_path / "out"
    first = run(write_suite(tmp_path, scenes=[str(scene)], methods=["mean"]), out)
    done = {path: path.stat().st_mtime_ns for path in out.rglob("cells/**/*") if path.is_file()}
    assert done
    shutil.move(tmp_path / "one", tmp_path / "two")
    scene = tmp_path / "two" / "card.toml"
    assert run(write_suite(tmp_path, scenes=[str(scene)], methods=["mean"]), out) == first
    assert {path: path.stat().st_mtime_ns for path in done} == done
    shutil.rmtree(tmp_path / "two")
    scene = home(tmp_path / "two", seed=2)
    again = run(write_suite(tmp_path, scenes=[str(scene)], methods=["mean"]), out)
    assert again != first
