"""Data sets: splits by scene, the same bytes however they were made, and read back by others."""

import csv
import json
import os
import pickle
import shutil
import subprocess
import sys
import time
from collections import Counter
from dataclasses import fields, replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tifffile

import stacktruth
from stacktruth.runners.cli import main
from stacktruth.runners.dataset.columns import FRAME_COLUMNS, STACK_COLUMNS
from stacktruth.runners.dataset.make import keep_stack, make_dataset
from stacktruth.runners.dataset.packed import PackedStack
from stacktruth.runners.dataset.plan import DatasetPlan, options_of, sources_of
from stacktruth.runners.dataset.planned import planned
from stacktruth.runners.dataset.reader import StackRow
from stacktruth.runners.dataset.splits import SPLITS, split_of, split_of_draw
from stacktruth.simulator.stack.manifest import StackError, canonical_json, plan_to_data
from stacktruth.simulator.stack.truthfiles import TRUTH_IMAGES

#: A card that slopes another way for each seed; with a name by which seeds 14, 15, 16 are of three
#: splits.
FAMILY = """
title = "sloping card"
[scene]
rig = "test-rig"
field_mm = [3.84, 2.56]
depth_mm = [-0.5, 0.5]
[[scene.surface]]
name = "card"
relief = { kind = "slope", slope_x = { uniform = [0.1, 0.3] }, reach_mm = 4.0 }
texture = { kind = "octaves", palette = ["#22331a", "#8aa060", "#d6d1c2"], cell_mm = 0.3 }
"""
FIRST = 14
LAYOUTS = ("folders", "npz")
#: Columns that are no numbers.
TEXTS = {
    "stacks": {
        *("name", "split", "scene", "family", "rig", "stance", "light", "subject"),
        *("encoding", "path", "sha256"),
    },
    "frames": {"name", "split", "path"},
}


@pytest.fixture(scope="module")
def family(tmp_path_factory):
    """Write the family; return its path."""
    path = tmp_path_factory.mktemp("family") / "slope.toml"
    path.write_text(FAMILY)
    return str(path)


@pytest.fixture(scope="module")
def plan(family):
    """Return a plan of three stacks, one of each split."""
    return DatasetPlan(
        families=(family,), count=3, first_seed=FIRST, frames=2, crop=(40, 24), quality="fast"
    )


@pytest.fixture(scope="module")
def both(plan, tmp_path_factory):
    """Make it in each layout; return plan and folder by layout."""
    found = {one: (replace(plan, layout=one), tmp_path_factory.mktemp(one)) for one in LAYOUTS}
    for own, folder in found.values():
        make_dataset(own, folder)
    return found


@pytest.fixture(params=LAYOUTS)
def made(request, both):
    """Return plan and folder of each."""
    return both[request.param]


@pytest.fixture
def copied(made, tmp_path):
    """Return plan and folder of a copy that may be damaged."""
    shutil.copytree(made[1], tmp_path / "set")
    return made[0], tmp_path / "set"


def bytes_below(folder):
    """Return the content of each file by its path."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def refused(capsys, *words):
    """Run the command; return what it says when it refuses the request."""
    status = main(["dataset", *words, "--no-progress"])
    told = capsys.readouterr().err
    assert status == 2, told
    assert "Traceback" not in told
    return told


@pytest.mark.parametrize("name", ["leaf", "shell", "my own"])
def test_of_ten_successive_seeds_one_is_for_validation_and_one_for_test(name):
    """In every block of ten, and not always the same two of them."""
    blocks = [[split_of_draw(name, 10 * ten + one) for one in range(10)] for ten in range(20)]
    wanted = Counter({"train": 8, "validation": 1, "test": 1})
    assert all(Counter(block) == wanted for block in blocks)
    assert len({block.index("test") for block in blocks}) > 5


def test_a_split_is_told_by_the_scene_alone(plan):
    """The number of stacks, the pass and the other families change it as little as the name."""
    two = replace(plan, families=("coin", "shell"), count=8, crop=(32, 32))
    alone = replace(two, families=("shell",), count=100, seed=7)
    shells = [planned(two, number) for number in (1, 3)]
    assert [one.scene for one in shells] == [f"shell:{FIRST}", f"shell:{FIRST + 1}"]
    assert [one.split for one in shells] == [planned(alone, number).split for number in (0, 1)]
    edited = replace(shells[0].shoot.scene, title="edited", kinds=())
    assert split_of(edited) == shells[0].split


def test_a_larger_count_changes_no_stack_and_no_split(plan):
    """The plan of each stack is the same to the byte."""
    for number in range(3):
        few, many = planned(plan, number), planned(replace(plan, count=1000), number)
        assert (few.name, few.split) == (many.name, many.split)
        data = [canonical_json(plan_to_data(one.shoot)) for one in (few, many)]
        assert data[0] == data[1]


def test_passes_of_a_fixed_scene_are_all_in_one_split():
    """A suite goes round: other hands each time, the same scene, never another split."""
    of_suite = DatasetPlan(suite="quick", count=12, frames=3, crop=(64, 64), seed=5)
    stacks = [planned(of_suite, number) for number in range(12)]
    splits = {scene: {one.split for one in stacks if one.scene == scene} for scene in ("ramp",)}
    assert [one.name for one in stacks[::4]] == ["ramp-pass-0", "ramp-pass-1", "ramp-pass-2"]
    assert len({one.name for one in stacks}) == 12
    assert len(splits["ramp"]) == 1
    ramp = stacks[0].shoot.scene
    assert {split_of(replace(ramp, seed=seed)) for seed in range(20)} == splits["ramp"]
    assert {one.shoot.seed for one in stacks} == {5, 6, 7}
    assert stacks[0].shoot.records != stacks[4].shoot.records


def test_frames_are_spread_over_the_whole_pass(plan):
    """The last plane of focus is where the scene that is wanted sharp ends, but for the hands."""
    still = replace(plan, frames=5, stances=("stepped",))
    shot = planned(still, 0).shoot
    near, far = shot.scene.depth_mm
    focus = shot.nominal_focus_mm
    assert focus[0] <= near < far <= focus[-1]
    assert np.allclose(np.diff(focus), (focus[-1] - focus[0]) / 4)


def test_no_scene_is_in_two_splits_and_each_split_is_there(made):
    """As the table tells it, read by pandas alone."""
    table = pd.read_csv(made[1] / "stacks.csv")
    assert (table.groupby("scene")["split"].nunique() == 1).all()
    assert set(table["split"]) == set(SPLITS)


def test_both_tables_say_the_same_and_every_column_has_its_record(made):
    """CSV by the standard library, JSON lines by its own; focus, pose and gain of each frame."""
    for name, columns in (("stacks", STACK_COLUMNS), ("frames", FRAME_COLUMNS)):
        with (made[1] / f"{name}.csv").open(newline="") as file:
            rows = list(csv.DictReader(file))
        lines = [json.loads(line) for line in (made[1] / f"{name}.jsonl").read_text().splitlines()]
        assert [str(column.name) for column in columns] == list(rows[0]) == list(lines[0])
        for row, line in zip(rows, lines, strict=True):
            assert {key for key, one in line.items() if isinstance(one, str)} == TEXTS[name]
            assert row == {key: "" if one is None else str(one) for key, one in line.items()}
    assert {"focus_z_mm", "x_mm", "yaw_mrad", "gain_stops"} <= set(lines[0])
    assert [one.name for one in fields(StackRow)] == [column.name for column in STACK_COLUMNS]


def test_the_reader_gives_what_others_read(made):
    """Numpy alone opens the one file of a stack, tifffile alone the frames of a folder."""
    own, folder = made
    data = stacktruth.open_dataset(folder, verify=True)
    for row, stack in zip(data.rows, data, strict=True):
        if own.layout == "npz":
            held = np.load(folder / row.path)
            frames, depth = held["frames"], held["depth_mm"]
            focus = held["records"]["focus_z_mm"]
        else:
            places = [folder / row.path / "frames" / f"000{n}.tif" for n in range(2)]
            frames = np.stack([tifffile.imread(place) for place in places])
            depth = tifffile.imread(folder / row.path / "truth" / "depth_mm.tif")
            focus = pd.read_csv(folder / row.path / "truth" / "frames.csv")["focus_z_mm"]
        assert frames.dtype == np.uint16
        np.testing.assert_array_equal(np.stack(list(stack.frames)), frames)
        np.testing.assert_array_equal(stack.truth.depth_mm, depth)
        told = data.frames[data.frames["name"] == row.name]
        np.testing.assert_array_equal(told["focus_z_mm"], stack.records["focus_z_mm"])
        np.testing.assert_allclose(stack.records["focus_z_mm"], focus, rtol=1e-15)
        again = stack.shoot.frame(1)  # renders it
        np.testing.assert_array_equal(again.image, stack.frames[1])


def test_a_split_is_read_lazily_with_its_frames_table(made):
    """Only what is asked for is opened; rows of frames go with their stacks."""
    data = stacktruth.open_dataset(made[1])
    part = data.split("test")
    assert [row.scene for row in part.rows] == ["slope:16"]
    assert [len(data.split(name)) for name in SPLITS] == [1, 1, 1]
    assert set(part.frames["name"]) == {"slope-16"}
    assert len(data[1:]) == 2
    with pytest.raises(ValueError, match=r"split: got 'tests' \(did you mean 'test'\?\), allowed"):
        data.split("tests")


def test_a_packed_stack_holds_what_its_folder_holds(both):
    """All images of the truth and all facts, for one stack in both layouts."""
    folder, packed = (stacktruth.open_dataset(both[layout][1])[0] for layout in LAYOUTS)
    for name in TRUTH_IMAGES:
        np.testing.assert_array_equal(getattr(folder.truth, name), getattr(packed.truth, name))
    assert (folder.info, folder.truth_facts) == (packed.info, packed.truth_facts)
    pd.testing.assert_frame_equal(folder.records, packed.records)
    assert isinstance(packed.frames, np.memmap)


def test_sha256sum_finds_all_as_it_was_made(made):
    """Coreutils' own check; what SHA256SUMS leaves out says which versions made it, and when."""
    asked = ["sha256sum", "--check", "--strict", "--quiet", "SHA256SUMS"]
    subprocess.run(asked, cwd=made[1], check=True)
    listed = {line.split("  ")[1] for line in (made[1] / "SHA256SUMS").read_text().splitlines()}
    rest = set(bytes_below(made[1])) - listed
    left_out = {"SHA256SUMS", "croissant.json", "dataset.json", "stack.json"}
    assert {Path(name).name for name in rest} <= left_out


def test_what_is_damaged_or_missing_is_made_again_and_the_rest_kept(copied):
    """A stack cut short, one with a bit turned, another machine's draft: the same bytes."""
    own, folder = copied
    before = bytes_below(folder)
    files = [name for name in sorted(before) if name.startswith("stacks/")]
    cut, turned, kept = (next(n for n in files if f"slope-{one}" in n) for one in (14, 15, 16))
    (folder / cut).write_bytes(before[cut][:-7])
    middle = len(before[turned]) // 2
    bit = bytes([before[turned][middle] ^ 1])
    (folder / turned).write_bytes(before[turned][:middle] + bit + before[turned][middle + 1 :])
    draft = folder / "stacks" / ".slope-15-@00000000.1.1@-x"
    draft.mkdir()
    stamp = (folder / kept).stat().st_mtime_ns
    assert "3 stacks" in make_dataset(own, folder)
    draft.rmdir()  # of another machine: it is left alone
    assert bytes_below(folder) == before
    assert (folder / kept).stat().st_mtime_ns == stamp


def test_shards_make_the_same_and_the_last_one_tells_of_all(both, tmp_path):
    """Until then there are no tables, and the reader says so."""
    own, folder = both["folders"]
    told = [make_dataset(own, tmp_path / "set", shard=(2, 2))]
    with pytest.raises(ValueError, match=r"no data set: got no stacks.jsonl"):
        stacktruth.open_dataset(tmp_path / "set")
    told += [make_dataset(own, tmp_path / "set", shard=(1, 2))]
    assert "1 of 3 stacks are there" in told[0]
    assert "3 stacks" in told[1]
    assert bytes_below(tmp_path / "set") == bytes_below(folder)


def test_the_description_has_what_the_standard_requires(made):
    """Croissant 1.0, sections "Dataset", "FileObject", "FileSet", "RecordSet" and "Splits"."""
    own, folder = made
    told = json.loads((folder / "croissant.json").read_text())
    required = ("@context", "description", "license", "name", "url", "creator", "datePublished")
    assert all(told.get(key) for key in required)
    assert told["@type"] == "sc:Dataset"
    assert told["conformsTo"] == "http://mlcommons.org/croissant/1.0"
    assert "publicdomain/zero/1.0" in told["license"]
    assert "stacktruth dataset slope.toml --count 3 --first-seed 14" in told["description"]
    for one in told["distribution"]:
        assert one["encodingFormat"]
        assert one["@type"] == "cr:FileSet" or len(one["sha256"]) == 64
    pictures = list(folder.glob(told["distribution"][-1]["includes"]))
    assert len(pictures) == (3 if own.layout == "npz" else 6)
    assert [one["@id"] for one in told["recordSet"]] == ["splits", "stacks", "frames"]


def test_the_command_in_the_description_asks_for_the_same(made):
    """Parsed again, it gives the plan; the folder of a file of one's own is nobody's business."""
    own, folder = made
    assert str(Path(own.families[0]).parent) not in str(bytes_below(folder))
    several = replace(own, rigs=("field-2x", "field-1x"), bin=2, iso=200.0, format="float32")
    words = options_of(several)
    assert words[1:5] == ["--count", "3", "--first-seed", "14"]
    assert words.count("--rig") == 2
    assert words[words.index("--crop") + 1] == "40x24"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["lef"], r"unknown suite or family: got 'lef' (did you mean 'leaf'?), allowed"),
        (["quick", "leaf"], "got the suite 'quick' and 1 more, allowed one suite alone"),
        (["leaf", "leaf"], "families of one name: got 'leaf' twice, allowed once"),
        (["nowhere.toml"], "'nowhere.toml' does not exist: got no file, expected one"),
        (["coin", "--rig", "feild-2x"], "got 'feild-2x' (did you mean 'field-2x'?), allowed"),
        (["coin", "--crop", "9000x9000"], "9000x9000"),
        (["coin", "--iso", "0"], "got '0', allowed a number above 0"),
        (["coin", "--first-seed", str(2**64)], "allowed a whole number from 0 to 2**64 - 1"),
        (["quick", "--crop", "64x64+1+1"], "--crop: got 64x64+1+1, allowed WIDTHxHEIGHT"),
        (["coin", "--shard", "3/2"], "got '3/2', allowed I/N with 1 <= I <= N"),
        (["coin", "--count", "0"], "got '0', allowed a whole number of 1 or more"),
        (["coin", "--cluster", "x", "--workers", "2"], "got both, allowed one of them"),
    ],
)
def test_a_wrong_request_is_refused_and_nothing_is_written(words, told, tmp_path, capsys):
    """Place, got, allowed; exit status 2."""
    count = [] if "--count" in words else ["--count", "2"]
    count += ["--frames", "1", *([] if "--crop" in words else ["--crop", "16x16"])]  # if it is not
    assert told in refused(capsys, *words, *count, "--out", str(tmp_path / "set"))
    assert not (tmp_path / "set").exists()


def test_a_folder_of_something_else_is_refused_and_left_alone(tmp_path, capsys):
    """Whatever is in it; a file in its place as well."""
    (tmp_path / "mine.txt").write_text("mine")
    words = ["coin", "--count", "1", "--crop", "32x32"]
    told = refused(capsys, *words, "--out", str(tmp_path))
    assert "got a folder that holds mine.txt and no dataset.json, allowed a data set" in told
    assert "got a file" in refused(capsys, *words, "--out", str(tmp_path / "mine.txt"))
    assert bytes_below(tmp_path) == {"mine.txt": b"mine"}


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"seed": 1}, r"seed: got 1, allowed 0, or a new folder"),
        ({"count": 2}, r"count: got 2, allowed 3 or more"),
        ({"format": "png16"}, r"format: got 'png16', allowed 'tiff16'"),
    ],
)
def test_another_data_set_is_refused_in_the_folder_of_one(change, told, made):
    """What differs is named; nothing is changed."""
    own, folder = made
    before = bytes_below(folder)
    with pytest.raises(ValueError, match=told):
        make_dataset(replace(own, **change), folder)
    assert bytes_below(folder) == before


def test_a_family_that_changed_since_is_refused(copied, tmp_path):
    """Its scenes would be others."""
    own, folder = copied
    changed = tmp_path / "slope.toml"
    changed.write_text(FAMILY.replace("0.3]", "0.4]"))
    with pytest.raises(ValueError, match=r"holds another data set: family slope.toml: got"):
        make_dataset(replace(own, families=(str(changed),)), folder)


def test_a_sound_stack_of_another_plan_is_not_taken_for_ours(copied):
    """Nor is it removed: it may be somebody's."""
    own, folder = copied
    ours, other = sorted((folder / "stacks").iterdir())[:2]
    shutil.rmtree(ours) if ours.is_dir() else ours.unlink()
    other.rename(ours)
    with pytest.raises(StackError, match=r"got another stack than slope-14 of this plan"):
        make_dataset(own, folder)
    assert ours.exists()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "got no line"),
        ("{}", "line 1"),
        ('{"name": 1', "line 1"),
        ("PATH", r"path: got '\.\./x', allowed a path in the data set"),
    ],
)
def test_a_damaged_table_is_named_with_its_line(text, told, copied):
    """Whatever is wrong with it, and wherever it points to."""
    _, folder = copied
    table = folder / "stacks.jsonl"
    line = json.loads(table.read_text().splitlines()[0]) | {"path": "../x"}
    table.write_text(json.dumps(line) if text == "PATH" else text)
    with pytest.raises(ValueError, match=told):
        stacktruth.open_dataset(folder)


def test_a_changed_stack_is_seen_when_it_is_asked_for(copied):
    """By the reader, where it verifies."""
    own, folder = copied
    row = stacktruth.open_dataset(folder).rows[0]
    at = folder / row.path / ("" if own.layout == "npz" else "frames/0000.tif")
    data = bytearray(at.read_bytes())
    data[len(data) // 2] ^= 1
    at.write_bytes(data)
    with pytest.raises(ValueError, match="was changed"):
        stacktruth.open_dataset(folder, verify=True)[0]


@pytest.mark.parametrize("data", [b"", b"PK\x05\x06" + bytes(18), b"\x93NUMPY"])
def test_what_is_no_packed_stack_is_named(data, tmp_path):
    """An empty file, an empty archive, an array alone."""
    path = tmp_path / "x.npz"
    path.write_bytes(data)
    for ask in (PackedStack.check, lambda stack: stack.frames, lambda stack: stack.info):
        with pytest.raises(StackError, match=r"x.npz: is no stack in one file"):
            ask(PackedStack(path))


def test_families_means_all_that_are_shipped():
    """In their order by name; a suite is known by its name or what its file says."""
    assert "leaf" in sources_of(["families"])["families"]
    assert sources_of(["quick"]) == {"suite": "quick"}
    assert sources_of(["shell", "leaf"]) == {"families": ("shell", "leaf")}


def command(plan, folder, *more):
    """Return the command line of the module's plan, in a process of its own."""
    words = [plan.families[0], "--count", str(plan.count), "--first-seed", str(FIRST)]
    words += ["--frames", "2", "--crop", "40x24", "--quality", "fast", "--out", str(folder)]
    return [sys.executable, "-m", "stacktruth.runners.cli", "dataset", *words, *more]


@pytest.mark.slow
def test_two_processes_make_what_one_makes(both, tmp_path):
    """And go on with what is there."""
    own, folder = both["npz"]
    shutil.copytree(folder, tmp_path / "set")
    for path in sorted((tmp_path / "set" / "stacks").iterdir())[1:]:
        path.unlink()
    make_dataset(own, tmp_path / "set", workers=2)
    assert bytes_below(tmp_path / "set") == bytes_below(folder)


@pytest.mark.long
def test_killed_and_gone_on_with_by_two_processes_it_is_the_same(plan, tmp_path):
    """Kill -9 when two stacks are there; then all is as one process made it without a break."""
    many = replace(plan, count=5)
    make_dataset(many, tmp_path / "calm")
    running = subprocess.Popen(command(many, tmp_path / "set", "--workers", "1"))
    until = time.monotonic() + 120
    while len(list(tmp_path.glob("set/stacks/slope-*"))) < 2 and time.monotonic() < until:
        time.sleep(0.01)
    running.kill()
    running.wait()
    early = {path: path.stat().st_mtime_ns for path in tmp_path.glob("set/stacks/slope-*/*.json")}
    assert early
    assert not (tmp_path / "set" / "stacks.csv").exists()
    make_dataset(many, tmp_path / "set", workers=2)
    assert bytes_below(tmp_path / "set") == bytes_below(tmp_path / "calm")
    assert all(path.stat().st_mtime_ns == stamp for path, stamp in early.items())


@pytest.mark.slow
def test_a_cluster_makes_the_same(plan, both, tmp_path):
    """By a worker of it, to which the task is sent as bytes."""
    from distributed import LocalCluster

    keep = partial(keep_stack, tmp_path, plan)
    assert pickle.loads(pickle.dumps(keep)).args == keep.args
    words = [*command(plan, tmp_path / "set")[3:], "--no-progress"]
    with LocalCluster(n_workers=1, processes=False, dashboard_address=":0") as cluster:
        assert main([*words, "--cluster", cluster.scheduler_address]) == 0
    assert bytes_below(tmp_path / "set") == bytes_below(both["folders"][1])


@pytest.mark.slow
def test_the_standards_own_reader_takes_the_description(both):
    """Mlcroissant of MLCommons: no error, no warning, and it reads the tables by it."""
    pytest.importorskip("mlcroissant")
    asked = """
import sys
import mlcroissant as mlc
data = mlc.Dataset(jsonld=sys.argv[1])
assert not data.metadata.issues.errors and not data.metadata.issues.warnings
assert str(data.metadata.ctx.conforms_to).endswith("V_1_0"), data.metadata.ctx.conforms_to
rows = {name: list(data.records(name)) for name in ("splits", "stacks", "frames")}
print(*map(len, rows.values()), *sorted(row["stacks/split"].decode() for row in rows["stacks"]))
"""
    words = [sys.executable, "-c", asked, str(both["npz"][1] / "croissant.json")]
    ran = subprocess.run(words, capture_output=True, text=True, check=True, env=dict(os.environ))
    assert ran.stdout.split() == ["3", "3", "6", "test", "train", "validation"]
