"""The command line: what it makes, and that a wrong request or a failed method loses nothing."""

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tifffile

from stacktruth.ground.srgb import clipped_srgb
from stacktruth.metrics import METRICS
from stacktruth.metrics.cards import page
from stacktruth.runners.cli import COMMANDS, _message, main
from stacktruth.runners.request import StoppedError
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.data import list_data_files
from stacktruth.simulator.shooting.shoot import shoot
from stacktruth.simulator.stack.stackio import read_stack, write_stack

# In this process: to start others takes longer than pictures of this size.
SMALL = ["--rig", "test-rig", "--crop", "64x48", "--frames", "3", "--workers", "1"]

METHODS = """
import time
import numpy as np

def raising(frames, info):
    raise RuntimeError("no idea\\nwhat to do")

def hanging(frames, info):
    time.sleep(600)

def not_a_number(frames, info):
    return np.full(frames[0].shape, np.nan, np.float32)

def wrong_shape(frames, info):
    return frames[0][:-8]
"""

SCENE = """
field_mm = [4, 3]
depth_mm = [-0.5, 0.5]
[[surface]]
name = "card"
texture = { kind = "flat", colour = "#808080" }
"""

RIG = """
[lens]
focal_length_mm = 50.0
f_number = 2.8
magnification = 1.0
[sensor]
width_px = 64
height_px = 48
pitch_um = 20.0
"""


@pytest.fixture(scope="module")
def stack(tmp_path_factory):
    """Write one small stack; tests must not change it."""
    plan = shoot(load_scene("ramp"), load_rig("test-rig"), frames=3, crop=(64, 48))
    return write_stack(plan, tmp_path_factory.mktemp("stacks") / "small", progress=False)


@pytest.fixture
def place(tmp_path, monkeypatch):
    """Work in a folder that holds a few files of the user."""
    monkeypatch.chdir(tmp_path)
    Path("methods.py").write_text(METHODS)
    Path("mine").mkdir()
    Path("mine/notes.txt").write_text("keep")
    Path("mine.csv").write_text("keep")
    Path("mine.ply").write_text("keep")
    return tmp_path


def contents(folder: Path) -> dict[str, bytes]:
    """Read all files below a folder."""
    return {str(path): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


class Ran:
    """One command run in this process: status, and what it printed."""

    def __init__(self, capsys, *argv):
        self.status = main([str(word) for word in argv])
        self.out, self.err = capsys.readouterr()

    def assert_failed(self, status, told):
        """Check the status, and that one or two lines on stderr tell why."""
        assert self.status == status, self.err
        assert 1 <= len(self.err.splitlines()) <= 2, self.err
        assert told in self.err
        assert "Traceback" not in self.err


class TestWrongRequest:
    """Status 2, one or two lines, and nothing written."""

    def check(self, capsys, place, argv, told):
        """Run a wrong request and hold the folder against what it was."""
        before = contents(place)
        ran = Ran(capsys, *argv)
        ran.assert_failed(2, told)
        assert ran.out == ""
        assert contents(place) == before

    def test_an_unknown_scene_is_refused(self, capsys, place):
        """The shipped scenes are listed."""
        told = "unknown scene: got 'moon', allowed "
        self.check(capsys, place, ["render", "moon", "--out", "new"], told)

    def test_an_unknown_key_in_toml_is_refused(self, capsys, place):
        """File and key are named."""
        Path("s.toml").write_text("colour = 3\n" + SCENE)
        told = "s.toml: key 'colour' is not known here"
        self.check(capsys, place, ["render", "s.toml", *SMALL, "--out", "new"], told)

    def test_broken_toml_is_refused(self, capsys, place):
        """File and line are named."""
        Path("s.toml").write_text("field_mm = [4, 3\n")
        told = "s.toml: not valid TOML: "
        self.check(capsys, place, ["render", "s.toml", "--out", "new"], told)

    def test_a_negative_f_number_is_refused(self, capsys, place):
        """Key, value and rule are named."""
        Path("r.toml").write_text(RIG.replace("2.8", "-2.8"))
        told = "key 'lens.f_number': got -2.8, allowed more than 0"
        self.check(capsys, place, ["render", "ramp", "--rig", "r.toml", "--out", "new"], told)

    def test_an_output_folder_that_exists_is_left_alone(self, capsys, place):
        """A folder of the user is not touched, whatever the command."""
        told = "mine exists already"
        self.check(capsys, place, ["render", "ramp", *SMALL, "--out", "mine"], told)
        self.check(capsys, place, ["demo", "--out", "mine"], told)

    def test_an_output_file_that_exists_is_left_alone(self, capsys, place, stack):
        """A file of the user is not touched."""
        told = "mine.ply exists already"
        self.check(capsys, place, ["export", "ramp", "--to", "mine.ply"], told)
        score = ["score", stack, "--method", "mean", "--csv", "mine.csv"]
        self.check(capsys, place, score, "mine.csv exists already")

    def test_a_place_below_a_file_is_refused(self, capsys, place):
        """A folder cannot be made below a file."""
        told = "mine.csv, which is not a folder"
        self.check(capsys, place, ["render", "ramp", *SMALL, "--out", "mine.csv/new"], told)

    @pytest.mark.parametrize(
        ("options", "told"),
        [
            (["--crop", "64"], "--crop: got '64', allowed WIDTHxHEIGHT or"),
            (["--crop", "640x480"], "crop: got 640x480 pixels, allowed up to 192x128"),
            (["--frames", "0"], "--frames: got '0', allowed a whole number of 1 or more"),
            (["--seed", "-1"], "--seed: got '-1', allowed a whole number of 0 or more"),
            (["--iso", "50"], "iso must be >= the base ISO 100, got 50"),
            (["--iso", "nan"], "--iso: got 'nan', allowed a number above 0"),
            (["--format", "gif"], "--format: invalid choice: 'gif' (choose from 'tiff16'"),
            (["--near", "2", "--far", "1"], "from near to far, got 2 to 1 mm"),
            (["--stance", "flying"], "unknown stance: got 'flying', allowed braced"),
            (["--colour", "red"], "unrecognized arguments: --colour red"),
            (["--fra", "3"], "unrecognized arguments: --fra 3"),
        ],
    )
    def test_a_wrong_option_is_refused(self, options, told, capsys, place):
        """The option, what was got and what is allowed are named."""
        argv = ["render", "ramp", "--rig", "test-rig", "--out", "new", *options]
        self.check(capsys, place, argv, told)

    def test_a_stack_with_a_truncated_frame_is_not_scored(self, capsys, place, stack):
        """A stack with a frame cut off is not scored; file, got and expected are named."""
        self.damaged(stack, "frames/0001.tif", lambda data: data[:500])
        told = "0001.tif is cut off: got 500 bytes, expected 18"
        self.check(capsys, place, ["score", "bad", "--method", "mean", "--csv", "new.csv"], told)

    def test_a_stack_with_a_changed_byte_is_not_scored(self, capsys, place, stack):
        """A stack with one byte changed is not scored."""
        self.damaged(stack, "truth/ideal.tif", lambda data: data[:-1] + bytes([data[-1] ^ 1]))
        told = "ideal.tif was changed: got SHA-256 "
        self.check(capsys, place, ["score", "bad", "--method", "mean"], told)

    def damaged(self, stack, name, change):
        """Copy the stack to ``bad`` with one file changed."""
        for path, data in contents(stack).items():
            copy = Path("bad") / Path(path).relative_to(stack)
            copy.parent.mkdir(parents=True, exist_ok=True)
            copy.write_bytes(change(data) if copy == Path("bad") / name else data)

    @pytest.mark.parametrize(
        ("options", "told"),
        [
            ([], "one of the arguments --method --image is required"),
            (["--method", "magic"], "unknown method: got 'magic', allowed middle-frame"),
            (["--method", "no.py:f"], "method 'no.py:f': there is no file 'no.py'"),
            (["--image", "no.tif"], "no.tif: there is no such file"),
            (["--method", "mean", "--name", "x"], "--depth and --name go with --image"),
            (["--method", "mean", "--time-limit", "0"], "got '0', allowed a number above 0"),
        ],
    )
    def test_a_wrong_request_to_score_is_refused(self, options, told, capsys, place, stack):
        """What is to be scored is looked at before anything runs."""
        self.check(capsys, place, ["score", stack, *options], told)

    def test_a_folder_that_is_no_stack_is_refused(self, capsys, place):
        """A folder that is no stack is named as such by every command that takes one."""
        for argv in (["score", "mine", "--method", "mean"], ["check-stack", "mine"]):
            self.check(capsys, place, argv, "mine is no stack: stack.json is missing")

    def test_an_unknown_command_is_refused(self, capsys, place):
        """The commands are listed, with a hint to the help."""
        ran = Ran(capsys, "stack")
        ran.assert_failed(2, "invalid choice: 'stack' (choose from 'demo', 'draw', 'dataset'")
        assert ran.err.splitlines()[1] == "see: stacktruth --help"

    def test_export_needs_a_known_ending(self, capsys, place):
        """Only .obj and .ply can be written."""
        told = "new.stl: got ending '.stl', allowed .obj or .ply"
        self.check(capsys, place, ["export", "ramp", "--to", "new.stl"], told)


class TestMethodThatFails:
    """Status 1, a row with status and reason, and one line that tells why."""

    @pytest.mark.parametrize(
        ("name", "told"),
        [
            ("raising", "failed, RuntimeError: no idea what to do"),
            ("not_a_number", "invalid-output, image: got 9216 values that are NaN or infinite"),
            ("wrong_shape", "invalid-output, image: got shape (40, 64, 3), expected (48, 64, 3)"),
        ],
    )
    def test_a_bad_method_is_a_row_with_its_status(self, name, told, capsys, place, stack):
        """The row is in the table and in the CSV file, and the stack is whole."""
        status, _, reason = told.partition(", ")
        before = contents(stack)
        ran = Ran(capsys, "score", stack, "--method", f"methods.py:{name}", "--csv", "new.csv")
        ran.assert_failed(1, f"1 of 1 failed: methods:{name}: {status}, ")
        (row,) = pd.read_csv("new.csv").to_dict("records")
        assert row["status"] == status
        assert reason in row["reason"]
        assert reason in ran.err
        assert status in ran.out
        assert contents(stack) == before
        assert Path("mine/notes.txt").read_text() == "keep"

    def test_a_hanging_method_is_timed_out(self, capsys, place, stack):
        """It is ended at its time limit; the other methods of the run are scored all the same."""
        methods = ["--method", "methods.py:hanging", "--method", "middle-frame"]
        ran = Ran(capsys, "score", stack, *methods, "--time-limit", "3", "--csv", "new.csv")
        ran.assert_failed(1, "1 of 2 failed: methods:hanging: timed-out, took more than 3 s")
        assert list(pd.read_csv("new.csv").status) == ["timed-out", "ok"]

    def test_a_finished_picture_of_another_size_is_an_invalid_output(self, capsys, place, stack):
        """A finished picture that is not of the stack's size is an invalid output."""
        tifffile.imwrite("half.tif", np.zeros((24, 32, 3), np.uint16), photometric="rgb")
        ran = Ran(capsys, "score", stack, "--image", "half.tif")
        ran.assert_failed(
            1, "half.tif: invalid-output, the picture could not be brought to the view of any"
        )

    def test_a_file_that_is_no_picture_is_an_invalid_output(self, capsys, place, stack):
        """A file that is no picture is an invalid output."""
        Path("p.tif").write_text("no picture")
        ran = Ran(capsys, "score", stack, "--image", "p.tif", "--name", "mine")
        ran.assert_failed(1, "mine: invalid-output, p.tif cannot be read as a picture")


class TestDone:
    """Status 0, nothing on stderr, and the work done."""

    def run(self, capsys, *argv):
        """Run a command that must do its work with no word on stderr but what comes next."""
        ran = Ran(capsys, *argv)
        said = [line for line in ran.err.splitlines() if not re.match("(made: .*; )?next: ", line)]
        assert (ran.status, said) == (0, [])
        return ran.out

    def test_render_writes_what_the_library_writes(self, capsys, place, stack):
        """The options reach the shoot: the same bytes as `write_stack`."""
        out = self.run(capsys, "render", "ramp", *SMALL, "--out", "deep/new")
        assert "3 frames of 64x48 pixels" in out
        made = {
            Path(path).relative_to("deep/new"): data
            for path, data in contents(Path("deep/new")).items()
        }
        asked = {Path(path).relative_to(stack): data for path, data in contents(stack).items()}
        assert made == asked

    def test_render_options_reach_the_plan(self, capsys, place):
        """Every option of render is found in the plan of the stack."""
        Path("s.toml").write_text(SCENE)
        Path("r.toml").write_text(RIG)
        options = (
            "--frames 2 --seed 9 --bin 2 --crop 32x24 --iso 400 --noise-free --bayer --workers 1"
        )
        names = "--stance stepped --light steady-lamp --subject still --near -0.25 --far 0.5"
        argv = ["render", "s.toml", "--rig", "r.toml", "--out", "new", "--format", "jpeg8"]
        self.run(capsys, *argv, *options.split(), *names.split())
        plan = read_stack("new").shoot
        assert (plan.frames, plan.seed, plan.bin, plan.crop, plan.iso) == (2, 9, 2, (32, 24), 400)
        assert (plan.noise, plan.bayer, plan.encoding) == (False, True, "srgb8")
        assert (plan.scene.name, plan.rig.name, plan.stance.name) == ("s", "r", "stepped")
        assert (plan.light.name, plan.subject.name) == ("steady-lamp", "still")
        assert (plan.approach.start_mm, plan.approach.length_mm) == (-0.25, 0.75)

    def test_check_stack_names_each_problem(self, capsys, place, stack):
        """A sound stack is sound; a damaged one has each problem on a line, and status 1."""
        assert "sound, 15 files, 3 frames" in self.run(capsys, "check-stack", stack)
        TestWrongRequest().damaged(stack, "truth/ideal.tif", lambda data: b"")
        Path("bad/frames/0000.tif").unlink()
        ran = Ran(capsys, "check-stack", "bad")
        ran.assert_failed(1, "bad has 2 problems")
        assert [line.split()[1] for line in ran.out.splitlines()] == ["frames/0000.tif", "is"]

    def test_score_gives_the_same_rows_as_table_csv_and_json(self, capsys, place, stack):
        """The same rows as text, as CSV and as JSON."""
        argv = ["score", stack, "--method", "mean", "--method", "middle-frame"]
        rows = json.loads(self.run(capsys, *argv, "--csv", "a/new.csv", "--json"))
        table = pd.read_csv("a/new.csv")
        assert [row["method"] for row in rows] == list(table.method) == ["mean", "middle-frame"]
        assert rows[0]["total.psnr_db"] == pytest.approx(table["total.psnr_db"][0])
        text = self.run(capsys, "score", stack, "--method", "mean")
        assert text.splitlines()[1].split()[:2] == ["mean", "ok"]

    def test_the_achievable_picture_loses_nothing_in_the_merge(self, capsys, place, stack):
        """The least defocus of any frame and the true depth, handed in as finished files."""
        truth = read_stack(stack).truth
        picture = np.rint(65535 * np.clip(clipped_srgb(truth.achievable), 0, 1)).astype(np.uint16)
        tifffile.imwrite("best.tif", picture, photometric="rgb")
        tifffile.imwrite("depth.tif", truth.depth_mm)
        files = ["--image", "best.tif", "--depth", "depth.tif", "--depth-unit", "mm"]
        (row,) = json.loads(self.run(capsys, "score", stack, *files, "--name", "best", "--json"))
        assert row["method"] == "best"
        assert row["total.psnr_db"] <= row["capture.psnr_db"] + 0.05
        assert row["merge.psnr_db"] > 80  # 16 bits hold 101 dB
        assert row["depth.depth_rmse_mm"] < 1e-6

    def test_the_view_of_a_finished_picture_is_found_or_told(self, capsys, place, stack):
        """Merged in the view of a frame it is scored there, unless another is named."""
        held = read_stack(stack)
        for view in range(3):
            encoded = clipped_srgb(held.shoot.truth(view).achievable)
            picture = np.rint(65535 * np.clip(encoded, 0, 1)).astype(np.uint16)
            tifffile.imwrite("best.tif", picture, photometric="rgb")
            argv = ["score", stack, "--image", "best.tif", "--json"]
            (row,) = json.loads(self.run(capsys, *argv))
            assert row["reference"] == view
            assert row["merge.psnr_db"] > 60
        ran = Ran(capsys, *argv, "--reference", "0")
        ran.assert_failed(1, "best.tif: invalid-output, the picture")

    @pytest.mark.parametrize("suffix", ["ply", "obj"])
    def test_export_writes_the_file_and_nothing_else(self, suffix, capsys, place):
        """The file is made, whole, and nothing else."""
        before = set(contents(place))
        out = self.run(capsys, "export", "ramp", "--bin", "64", "--to", f"new.{suffix}")
        assert "triangles" in out
        assert set(contents(place)) - before == {str(place / f"new.{suffix}")}
        assert Path(f"new.{suffix}").stat().st_size > 1000

    @pytest.mark.parametrize(
        ("kind", "names"),
        [
            ("scenes", list_data_files("scene")),
            ("stances", list_data_files("stance")),
            ("methods", ["middle-frame", "oracle"]),
            ("metrics", ["psnr_db", "depth_rmse_mm"]),
        ],
    )
    def test_list_gives_each_name_a_title(self, kind, names, capsys):
        """Each name has a title."""
        lines = self.run(capsys, "list", kind).splitlines()
        assert set(names) <= {line.split()[0] for line in lines}
        assert all(len(line.split()) > 1 for line in lines)

    def test_metrics_are_listed_at_length(self, capsys):
        """Their page in the documents; in short, a formula that departs from print is told."""
        assert self.run(capsys, "list", "metrics", "--long") == page(METRICS.values()) + "\n"
        short = self.run(capsys, "list", "metrics").splitlines()
        (line,) = (line for line in short if line.startswith("edge_transfer "))
        assert "departs from the printed formula" in line
        (line,) = (line for line in short if line.startswith("psnr_db "))
        assert "departs" not in line
        assert main(["list", "scenes", "--long"]) == 2
        assert "--long: got scenes, allowed for metrics" in capsys.readouterr().err

    def test_a_list_of_everything_has_headings(self, capsys):
        """Without a kind all kinds are listed."""
        heads = [line for line in self.run(capsys, "list").splitlines() if not line.startswith(" ")]
        assert heads[0] == "scenes:"
        assert heads[-1] == "reproductions:"
        assert len(heads) == 11

    @pytest.mark.parametrize("command", ["", *COMMANDS])
    def test_every_command_has_help(self, command, capsys):
        """Every command has help."""
        assert "usage: stacktruth" in self.run(capsys, *filter(None, [command]), "--help")


class TestUnexpected:
    """Errors of ours, interrupts, and the real process."""

    def fail(self, monkeypatch, error):
        """Let the rendering of a stack raise."""

        def write_stack(*args, **kwargs):
            raise error

        monkeypatch.setattr("stacktruth.runners.commands.render.write_stack", write_stack)

    @pytest.mark.parametrize(
        ("error", "told"),
        [
            (ZeroDivisionError("by\nzero"), "error: ZeroDivisionError: by zero"),
            (KeyboardInterrupt(), "interrupted; no unfinished file was left"),
            (OSError(28, "No space left on device", "f"), "No space left on device: 'f'"),
            (ValueError("long " * 500), "long ..."),
        ],
    )
    def test_an_error_is_two_lines_and_status_1(self, error, told, capsys, place, monkeypatch):
        """Whatever goes wrong in the work is told shortly."""
        self.fail(monkeypatch, error)
        Ran(capsys, "render", "ramp", *SMALL, "--out", "new").assert_failed(1, told)

    @pytest.mark.parametrize("where", [0, 1])
    def test_debug_shows_the_traceback(self, where, capsys, place, monkeypatch):
        """--debug before or after the command adds the traceback."""
        self.fail(monkeypatch, ZeroDivisionError("zero"))
        argv = ["render", "ramp", *SMALL, "--out", "new"]
        argv.insert(where, "--debug")
        ran = Ran(capsys, *argv)
        assert ran.status == 1
        assert "Traceback" in ran.err
        assert "ZeroDivisionError: zero" in ran.err

    def test_a_file_made_meanwhile_is_left_alone(self, capsys, place, monkeypatch):
        """A file that comes to stand at the output during the work is not replaced."""

        def export_scene(scene, path, **options):
            Path("new.ply").write_text("keep")
            path.write_text("mesh")

        monkeypatch.setattr("stacktruth.runners.commands.export.export_scene", export_scene)
        Ran(capsys, "export", "ramp", "--to", "new.ply").assert_failed(2, "new.ply exists already")
        assert Path("new.ply").read_text() == "keep"
        assert not list(place.glob(".new*"))

    def test_the_module_run_as_a_program_does_the_same(self, place):
        """The module run as a program gives the same status and message."""
        with started("render", "moon", "--out", "new") as process:
            out, told = process.communicate(timeout=60)
        assert (process.returncode, out) == (2, "")
        assert told.startswith("stacktruth: error: unknown scene: got 'moon', allowed ")
        assert len(told.splitlines()) == 1

    @pytest.mark.slow
    def test_a_terminated_render_leaves_nothing(self, place):
        """A render that is told to end removes what it had begun."""
        before = contents(place)
        argv = ["render", "ramp", "--rig", "test-rig", "--frames", "100", "--workers", "2"]
        with started(*argv, "--out", "new") as process:
            drawn = ".new-*/draft/pieces/*.npy"  # a process has begun
            wait_for(lambda: process.poll() is not None or any(place.glob(drawn)), limit_s=300)
            process.send_signal(signal.SIGTERM)
            _, told = process.communicate(timeout=60)
        assert process.returncode == 1
        assert told == "stacktruth: error: interrupted; no unfinished file was left\n"
        assert contents(place) == before
        assert not list(place.glob(".new-*"))


def started(*argv) -> subprocess.Popen:
    """Start the command line as a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "stacktruth.runners.cli", *argv],
        env=dict(os.environ),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_for(condition, limit_s=60.0) -> None:
    """Wait until something has happened."""
    end = time.monotonic() + limit_s
    while not condition():
        if time.monotonic() > end:
            raise TimeoutError(f"did not happen within {limit_s:g} s")
        time.sleep(0.02)


def test_work_that_was_stopped_is_told_in_a_sentence():
    """And not by the name of an error of ours, as a fault would be."""
    assert _message(StoppedError("processes were ended")) == "processes were ended"
    assert _message(RuntimeError("x")) == "RuntimeError: x\n--debug shows where"
