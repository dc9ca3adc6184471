"""The pieces of a stack: however they are cut, shared out and ordered, the same bytes."""

import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from stacktruth.ground.pictures import encode_image
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.handling.approach import Approach
from stacktruth.simulator.shooting.shoot import Shoot, shoot
from stacktruth.simulator.stack.frameio import frame_format
from stacktruth.simulator.stack.pieces import StackJob
from stacktruth.simulator.stack.stackwrite import write_stack, write_stacks
from stacktruth.simulator.steps import carry_out

PASS = Approach(start_mm=-0.4, length_mm=0.8, speed_mm_per_s=2.0)


def wide_plan(**changes) -> Shoot:
    """Plan a shoot of pictures so wide that they have two tiles, through a lens that darkens."""
    rig = load_rig("test-rig")
    lens = replace(rig.lens, vignetting_stops=1.5)
    rig = replace(rig, lens=lens, sensor=replace(rig.sensor, width_px=1400))
    asked = {"frames": 2, "seed": 5, "crop": (1300, 12), "approach": PASS} | changes
    return shoot(load_scene("ramp"), rig, **asked)


def bytes_of(folder: Path) -> dict[str, bytes]:
    """Return all files below a folder."""
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


@pytest.fixture(scope="module")
def written(tmp_path_factory) -> dict[str, bytes]:
    """Write the stack in one process; return its files."""
    plan = wide_plan()
    assert plan.tiles == 2
    folder = tmp_path_factory.mktemp("one") / "s"
    return bytes_of(write_stack(plan, folder, progress=False))


@pytest.mark.slow
@pytest.mark.parametrize("workers", [2, 5])
def test_any_number_of_processes_writes_the_same(written, workers, tmp_path):
    """Every file, and no more files."""
    folder = write_stack(wide_plan(), tmp_path / "s", workers=workers, progress=False)
    assert bytes_of(folder) == written


def test_pieces_in_reverse_order_make_the_same(written, tmp_path):
    """The last tile of the last frame first; nothing that was drawn is left over."""
    for name in ("frames", "truth", "pieces"):
        (tmp_path / name).mkdir()
    job = StackJob(wide_plan(), tmp_path, tmp_path / "pieces", frame_format("tiff16"))
    steps = list(job.steps(shared=True))[::-1]
    # Shares of tables; layers; the truth, two pictures of it, its end; tiles and frames; records.
    assert len(steps) == 16 + 3 * 2 + 4 + 2 * (2 + 1) + 1
    for _ in carry_out(steps):
        pass
    assert {path.name for path in (tmp_path / "pieces").iterdir()} == {"job.pickle", "tables"}
    shutil.rmtree(tmp_path / "pieces")
    made = bytes_of(tmp_path)
    assert made == {name: written[name] for name in made}
    assert set(written) - set(made) == {"frames.json", "stack.json"}


_AHEAD = """
import sys
from pathlib import Path
from stacktruth.simulator import load_rig, load_scene, shoot
from stacktruth.simulator.tables import shelf_at
shelf, scene = Path(sys.argv[1]), load_scene("snail-shell")
plan = shoot(scene, load_rig(scene.rig), stance="braced", frames=3, crop=(400, 300))
with shelf_at(shelf):
    for make in plan.tables_ahead():
        make()
    ahead = len(list(shelf.iterdir()))
    plan.drawn(1), plan.truth_view().layer("ideal"), plan.truth_view().layer("achievable")
print(ahead, len(list(shelf.iterdir())))
"""


@pytest.mark.slow
def test_what_is_made_ahead_is_what_frames_and_truth_ask_for(tmp_path):
    """Of a scene of reliefs, textures and blur on both sides, no more than two tables are left."""
    argv = [sys.executable, "-c", _AHEAD, tmp_path]
    ran = subprocess.run(argv, capture_output=True, text=True, check=True)
    ahead, all_of_them = map(int, ran.stdout.split())
    assert ahead > 20
    assert all_of_them <= ahead + 2


def test_small_pictures_make_nothing_ahead():
    """What they show of a scene asks for less than would be made."""
    job = StackJob(wide_plan(crop=(48, 12)), Path(), Path(), frame_format("tiff16"))
    assert "ahead" not in {step.name[1].what for step in job.steps(shared=False)}


def test_one_frame_alone_is_that_of_the_stack(written):
    """The last frame, rendered by itself and before any other."""
    alone = encode_image(wide_plan().frame(1).image, ".tif")
    assert alone == written["frames/0001.tif"]


def test_stacks_side_by_side_are_those_made_alone(written, tmp_path):
    """Two at once, in this process."""
    plans = {tmp_path / "a": wide_plan(), tmp_path / "b": wide_plan(seed=6)}
    write_stacks(plans, progress=False)
    assert bytes_of(tmp_path / "a") == written
    assert bytes_of(tmp_path / "b") != written


def test_records_are_begun_before_the_frames():
    """One step works out all frames' motions: as the last one all other processes wait for it."""
    job = StackJob(wide_plan(), Path(), Path(), frame_format("tiff16"))
    asked = [step.name[1].what for step in job.steps(shared=False)]
    assert asked.index("records") < asked.index("frame")


_FIRST_PIECE = """
import sys
import stacktruth.runners.cli
from stacktruth.simulator import load_rig, load_scene, shoot
from stacktruth.simulator.stack import pieces
scene = load_scene("sticky-leaf")
plan = shoot(scene, load_rig(scene.rig), stance="braced", frames=2, crop=(24, 16))
plan.frame(0), plan.truth_view().layer("ideal", tile=0)
print(*sys.modules)
"""


@pytest.mark.slow
def test_a_process_that_renders_loads_no_more_than_it_needs():
    """What only judges, tables and pages need would be waited for before the first piece."""
    argv = [sys.executable, "-c", _FIRST_PIECE]
    loaded = set(subprocess.run(argv, capture_output=True, text=True, check=True).stdout.split())
    assert "scipy.interpolate" in loaded  # the list is one
    heavy = {"scipy.signal", "scipy.stats", "pandas", "matplotlib", "skimage", "pywt"}
    ours = {"stacktruth.metrics", "stacktruth.runners.judge", "stacktruth.simulator.stack.stackio"}
    assert sorted((heavy | ours) & loaded) == []
