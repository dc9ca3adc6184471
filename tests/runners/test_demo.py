"""The demonstration: the same table however many processes make it, and nothing left half done."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from stacktruth.runners.demo import demo
from stacktruth.runners.demo.demo import STACKS, run_demo

#: A few of its own: each takes a process for each stack.
METHODS = ("middle-frame", "laplacian-pyramid", "oracle")
#: Its stacks, of other scenes, which are rendered at once.
SMALL = tuple(
    replace(asked, scene=scene, frames=3, crop=(512, 384), bin=8)
    for asked, scene in zip(STACKS, ("ramp", "steps"), strict=True)
)


@pytest.fixture(scope="module", autouse=True)
def few_methods() -> Iterator[None]:
    """Let the demonstration run few of its methods."""
    assert set(METHODS) < set(demo.METHODS)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(demo, "METHODS", METHODS)
        yield


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str]]:
    """Run a small demonstration in this process; return its folder and what it said."""
    out = tmp_path_factory.mktemp("demo") / "out"
    told: list[str] = []
    assert run_demo(out, stacks=SMALL, workers=1, progress=False, say=told.append) == 0
    return out, told


def test_every_method_is_scored_on_every_scene(made: tuple[Path, list[str]]) -> None:
    """A row for each, all ok, in the order of the stacks and methods."""
    rows = pd.read_csv(made[0] / "scores.csv")
    methods = [*METHODS, "outside-program"]
    assert rows["method"].tolist() == methods * 2
    assert rows["scene"].tolist() == [name for s in SMALL for name in [s.scene] * len(methods)]
    assert set(rows["status"]) == {"ok"}


def test_stacks_pictures_and_words_are_left(made: tuple[Path, list[str]]) -> None:
    """A folder and a sheet for each scene; the table is told."""
    out, told = made
    names = {path.name for path in out.iterdir()}
    scenes = {asked.scene for asked in SMALL}
    assert names == scenes | {f"{scene}.png" for scene in scenes} | {"scores.csv"}
    assert "laplacian-pyramid" in told[-2]


@pytest.mark.slow
def test_two_processes_make_the_same(made: tuple[Path, list[str]], tmp_path: Path) -> None:
    """All but the times and what depends on them is the same with two processes."""
    run_demo(tmp_path / "out", stacks=SMALL, workers=2, progress=False, say=lambda _: None)
    two = pd.read_csv(tmp_path / "out" / "scores.csv").drop(columns=["seconds", "peak_mb"])
    one = pd.read_csv(made[0] / "scores.csv").drop(columns=["seconds", "peak_mb"])
    pd.testing.assert_frame_equal(two, one, check_exact=True)


def test_an_existing_folder_is_left_alone(tmp_path: Path) -> None:
    """Nothing is written into a folder that is there."""
    with pytest.raises(FileExistsError):
        run_demo(tmp_path, stacks=SMALL, progress=False)
    assert not list(tmp_path.iterdir())
