"""Outside programs, Python files and finished files as methods, good and hostile."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile

from stacktruth.ground.pictures import write_copy
from stacktruth.runners.contract import InvalidOutput
from stacktruth.runners.isolate.external import (
    Program,
    ProgramError,
    load_programs,
    program_from_line,
    result_from_files,
)
from stacktruth.runners.isolate.run import UnknownMethodError, find_method, run_method
from stacktruth.runners.isolate.workplace import open_frames

COUNT, HEIGHT, WIDTH = 3, 12, 16
INFO = {
    "frames": [{"file": f"{i:04d}.tif", "order": i} for i in range(COUNT)],
    "height_px": HEIGHT,
    "width_px": WIDTH,
    "encoding": "srgb",
    "bits": 16,
}
FRAMES = [
    np.random.default_rng(i).integers(0, 65536, (HEIGHT, WIDTH, 3)).astype(np.uint16)
    for i in range(COUNT)
]
PICK = "import shutil, sys; shutil.copy(sys.argv[2], sys.argv[1])"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder of frames."""
    frames = tmp_path / "stack" / "frames"
    frames.mkdir(parents=True)
    for entry, image in zip(INFO["frames"], FRAMES, strict=True):
        write_copy(frames / entry["file"], image)
    return frames


def program(code: str, *arguments: str, **values) -> Program:
    """Return a program that runs Python code with sys.argv[1] the output and the frames after."""
    command = (sys.executable, "-c", code, "{output}", *(arguments or ("{frames}",)))
    return Program(name="test", command=command, **values)


def run(method, folder, **limits):
    """Run and check that nothing is left in the work folder."""
    work = folder.parent / "work"
    outcome = run_method(method, folder, INFO, work_dir=work, **limits)
    assert not work.exists() or list(work.iterdir()) == []
    return outcome


def test_a_program_gets_the_frames_and_its_picture_comes_back(folder) -> None:
    """Frames are separate arguments in order; facts of the run are recorded."""
    # A moment of rest lets its memory be seen, however busy the machine is.
    code = (
        "import shutil, sys, time; assert len(sys.argv) == 5; "
        "shutil.copy(sys.argv[4], sys.argv[1]); time.sleep(0.5)"
    )
    outcome = run(program(code), folder)
    assert outcome.status == "ok", outcome.reason
    np.testing.assert_array_equal(outcome.result.image, FRAMES[2])
    assert outcome.seconds > 0
    assert outcome.peak_mb > 1
    assert outcome.isolation.startswith("own session")
    assert len(dict(outcome.notes)["sha256"]) == 64


def test_a_command_line_is_split_but_no_shell_sees_it(folder) -> None:
    """A quoted argument stays whole, and a semicolon is only a character."""
    line = f"{sys.executable} -c '{PICK}' {{output}} {{frames}} '; touch leaked'"
    outcome = run(line, folder)
    assert outcome.status == "ok", outcome.reason
    assert list(folder.parent.rglob("leaked")) == []


def test_a_depth_map_comes_back_when_asked_for(folder) -> None:
    """The second output is read as float32 with the unit of the description."""
    code = (
        "import shutil, sys, tifffile, numpy as np\n"
        "shutil.copy(sys.argv[3], sys.argv[1])\n"
        "tifffile.imwrite(sys.argv[2], np.full((12, 16), 0.25, np.float32))"
    )
    outcome = run(program(code, "{depth_output}", "{frames}", depth_unit="mm"), folder)
    assert outcome.status == "ok", outcome.reason
    assert outcome.result.depth_unit == "mm"
    np.testing.assert_array_equal(outcome.result.depth, np.float32(0.25))


def test_frames_are_written_in_the_format_wanted(folder) -> None:
    """8-bit PNG frames hold the 16-bit values divided by 257, and the name changes with them."""
    wanted = program(PICK, image_format="png8", output="result.png")
    outcome = run(wanted, folder)
    assert outcome.status == "ok", outcome.reason
    np.testing.assert_array_equal(outcome.result.image, np.rint(FRAMES[0] / 257).astype(np.uint8))


def test_a_program_has_a_fresh_home_and_sees_no_truth(folder, monkeypatch) -> None:
    """Home and temporary folder are its own; of our variables only those allowed are there."""
    (folder.parent / "truth").mkdir()
    monkeypatch.setenv("SECRET_OF_OURS", "x")
    monkeypatch.setenv("ALLOWED_ONE", "y")
    code = (
        "import os, shutil, sys, pathlib\n"
        "home = pathlib.Path(os.environ['HOME'])\n"
        "assert list(home.iterdir()) == [] and home.parent == pathlib.Path.cwd()\n"
        "assert os.environ['TMPDIR'].startswith(str(home.parent))\n"
        "assert 'SECRET_OF_OURS' not in os.environ and os.environ['ALLOWED_ONE'] == 'y'\n"
        "assert os.environ['SET'] == 'z'\n"
        "assert not [p for p in pathlib.Path.cwd().parent.rglob('truth')]\n" + PICK
    )
    outcome = run(program(code, env=("ALLOWED_ONE", "SET=z")), folder)
    assert outcome.status == "ok", outcome.stderr


def test_a_program_cannot_change_the_stack(folder) -> None:
    """It works on copies, which it cannot change either."""
    code = "import sys; open(sys.argv[2], 'wb').write(b'x')"
    outcome = run(program(code), folder)
    assert outcome.status == "failed"
    assert "PermissionError" in outcome.reason
    np.testing.assert_array_equal(open_frames(folder, INFO)[0], FRAMES[0])


@pytest.mark.parametrize(
    ("code", "status", "reason"),
    [
        ("pass", "invalid-output", "the program wrote no result.tif"),
        ("import sys; sys.exit('no luck')", "failed", "exit status 1: no luck"),
        ("import ctypes; ctypes.string_at(0)", "failed", "crashed with signal SIGSEGV"),
        (
            "import os, sys; os.symlink(sys.argv[2], sys.argv[1])",
            "invalid-output",
            "result.tif: got a symbolic link",
        ),
        ("import os, sys; os.mkfifo(sys.argv[1])", "invalid-output", "not a regular file"),
        ("import sys; open(sys.argv[1], 'w').write('no')", "invalid-output", "cannot be read"),
        (
            "import sys, tifffile, numpy; tifffile.imwrite(sys.argv[1], numpy.zeros((5, 5)))",
            "invalid-output",
            r"shape \(5, 5\), expected \(12, 16, 3\)",
        ),
    ],
    ids=["nothing", "error", "crash", "link", "pipe", "rubbish", "shape"],
)
def test_a_program_that_goes_wrong_is_a_row_with_a_reason(folder, code, status, reason) -> None:
    """Status and reason tell what happened."""
    outcome = run(program(code), folder)
    assert outcome.status == status
    assert outcome.result is None
    assert re.search(reason, outcome.reason)


def test_a_hung_program_costs_its_limit_and_no_other_row(folder) -> None:
    """It is timed out at its limit, and the next one runs."""
    outcome = run(program("import time; time.sleep(60)"), folder, time_limit_s=0.5)
    assert outcome.status == "timed-out"
    assert outcome.reason == "took more than 0.5 s"
    assert run(program(PICK), folder).status == "ok"


def test_a_program_that_is_not_there_is_a_failed_row(folder) -> None:
    """A missing program is told by name."""
    missing = Program(name="x", command=("no-such-program", "{frames}", "{output}"))
    outcome = run(missing, folder)
    assert (outcome.status, outcome.reason) == (
        "failed",
        "program 'no-such-program' is not installed",
    )


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("merge {frames} {out}", "unknown placeholder: got {out}"),
        (
            "merge --in={frames} {output}",
            "{frames} in '--in={frames}', allowed as an argument of its own",
        ),
        ("merge {output}", "takes no frames"),
        ("merge {frames}", "has no {output}"),
        ("merge '{frames} {output}", "No closing quotation"),
        ("", "allowed 1 or more"),
    ],
)
def test_a_template_that_cannot_work_is_refused_before_it_runs(line, message) -> None:
    """The message names the place."""
    with pytest.raises(ProgramError, match=message):
        program_from_line(line)


def test_programs_are_read_from_a_file(tmp_path, folder) -> None:
    """A table per program; its name is the table's."""
    file = tmp_path / "methods.toml"
    file.write_text(
        f"[pick]\ncommand = ['{sys.executable}', '-c', '''{PICK}''', '{{output}}', '{{frames}}']\n"
        f"time_limit_s = 30\nversion_command = ['--version']\n"
    )
    found = find_method("pick", programs=file)
    assert load_programs(file)["pick"].time_limit_s == 30
    outcome = run(found, folder)
    assert outcome.status == "ok", outcome.reason
    assert dict(outcome.notes)["version"].startswith("Python 3")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[a]\ncommand = 'x'", r"\[a\] command"),
        ("[a]\ncommand = ['x', '{frames}', '{output}']\ncolour = 1", r"\[a\] colour"),
        ("[a]\ncommand = ['x', '{frames}', '{output}']\ntime_limit_s = -1", "allowed more than 0"),
        ("[a]\ncommand = ['x', '{frames}', '{output}']\noutput = '../x.tif'", "output"),
        ("[a]\ncommand = ['x', '{frames}', '{output}']\nimage_format = 'bmp'", "allowed tiff16"),
        ("a = 1", "key 'a': got 1 outside"),
        ("[a", "methods.toml"),
    ],
)
def test_a_wrong_file_of_programs_is_refused(tmp_path, text, message) -> None:
    """File and key are named."""
    file = tmp_path / "methods.toml"
    file.write_text(text)
    with pytest.raises(ProgramError, match=message):
        load_programs(file)


def plug_in(tmp_path: Path, body: str) -> str:
    """Write a Python method and return its description."""
    file = tmp_path / "mine.py"
    lines = "\n    ".join(body.splitlines())
    file.write_text(f"import numpy as np\n\ndef merge(frames, info):\n    {lines}\n")
    return f"{file}:merge"


def test_a_python_method_sees_lazy_frames_and_its_result_comes_back(tmp_path, folder) -> None:
    """Length, type, shape, slices and order are as promised; nothing is shared with us."""
    spec = plug_in(
        tmp_path,
        "assert len(frames) == 3 and frames.shape == (3, 12, 16, 3)\n"
        "assert frames.dtype == np.uint16 and len(frames[1:]) == 2\n"
        "assert (frames[-1] == list(frames)[2]).all()\n"
        "print('hello')\n"
        "return {'image': frames[1], 'depth': np.ones((12, 16)), 'used': [1, 0], 'reference': 1}",
    )
    outcome = run(spec, folder)
    assert outcome.status == "ok", outcome.reason
    np.testing.assert_array_equal(outcome.result.image, FRAMES[1])
    np.testing.assert_array_equal(outcome.result.depth, 1)
    assert (outcome.result.used, outcome.result.reference) == ((1, 0), 1)
    assert outcome.stdout == "hello\n"


@pytest.mark.parametrize(
    ("body", "status", "reason"),
    [
        ("raise KeyError('oh')", "failed", "KeyError: 'oh' (mine.py:4)"),
        ("raise NotImplementedError('too few')", "skipped", "too few"),
        ("return np.zeros(3)", "invalid-output", "image: got shape (3,), expected (12, 16, 3)"),
        ("return frames[0] * np.nan", "invalid-output", "image: got 576 values that are NaN"),
        ("import os; os._exit(0)", "failed", "ended without a result"),
        ("import sys; sys.exit(3)", "failed", "SystemExit: 3 (mine.py:4)"),
        ("import ctypes; ctypes.string_at(0)", "failed", "crashed with signal SIGSEGV"),
    ],
    ids=["raises", "skips", "shape", "nan", "leaves", "exits", "crashes"],
)
def test_a_python_method_that_goes_wrong_is_a_row(tmp_path, folder, body, status, reason) -> None:
    """Exceptions name their line; our own process is never at risk."""
    outcome = run(plug_in(tmp_path, body), folder)
    assert (outcome.status, outcome.reason.split(" or infinite")[0]) == (status, reason)


def test_a_hung_python_method_is_timed_out(tmp_path, folder) -> None:
    """It is ended at its limit, which the reason names."""
    outcome = run(plug_in(tmp_path, "while True: pass"), folder, time_limit_s=1.5)
    assert (outcome.status, outcome.reason) == ("timed-out", "took more than 1.5 s")


def test_a_python_method_that_takes_too_much_memory_is_killed(tmp_path, folder) -> None:
    """The limit is on resident memory."""
    body = "import time\nheld = []\nwhile True:\n    held.append(bytearray(20_000_000))"
    outcome = run(plug_in(tmp_path, body), folder, memory_limit_mb=400, time_limit_s=20)
    assert (outcome.status, outcome.reason) == ("killed", "took more than 400 MB of memory")


def test_a_python_method_can_import_what_lies_beside_it(tmp_path, folder) -> None:
    """A helper module in the same folder is found."""
    (tmp_path / "helper_of_mine.py").write_text("WHICH = 2\n")
    spec = plug_in(tmp_path, "import helper_of_mine\nreturn frames[helper_of_mine.WHICH]")
    outcome = run(spec, folder)
    assert outcome.status == "ok", outcome.reason
    np.testing.assert_array_equal(outcome.result.image, FRAMES[2])


def test_a_python_method_takes_frames_from_memory_too(tmp_path) -> None:
    """Arrays are written out for the child, unchanged."""
    outcome = run_method(plug_in(tmp_path, "return frames[0]"), FRAMES, INFO, work_dir=tmp_path)
    np.testing.assert_array_equal(outcome.result.image, FRAMES[0])


def test_a_confidence_comes_back_with_its_depth(tmp_path) -> None:
    """Both maps, as single precision; the method runs in a process of its own."""
    body = (
        "depth = np.ones(frames[0].shape[:2]); "
        "return {'image': frames[0], 'depth': depth, 'confidence': 3 * depth}"
    )
    outcome = run_method(plug_in(tmp_path, body), FRAMES, INFO, work_dir=tmp_path)
    assert outcome.status == "ok", outcome.reason
    assert (outcome.result.depth == 1).all()
    assert (outcome.result.confidence == 3).all()
    assert outcome.result.confidence.dtype == np.float32


def test_a_built_in_under_a_limit_runs_in_a_child_with_the_same_result(folder) -> None:
    """The same bytes, and then its memory is known."""
    here = run("middle-frame", folder)
    there = run("middle-frame", folder, time_limit_s=60)
    assert (here.status, there.status) == ("ok", "ok"), there.reason
    np.testing.assert_array_equal(here.result.image, there.result.image)
    assert here.peak_mb is None
    assert there.peak_mb > 20


@pytest.mark.parametrize(
    ("spec", "message"),
    [
        ("no-such", "unknown method: got 'no-such', allowed middle-frame, "),
        ("mean+no-stage", "unknown method: got 'mean\\+no-stage'"),
        ("nowhere/x.py:f", "there is no file 'nowhere/x.py'"),
    ],
)
def test_an_unknown_method_is_refused(spec, message) -> None:
    """The message lists what is allowed."""
    with pytest.raises(UnknownMethodError, match=message):
        find_method(spec)


def test_versions_follow_the_code(tmp_path) -> None:
    """A changed file is another version; the same file is not."""
    spec = plug_in(tmp_path, "return 1")
    first = find_method(spec).version
    assert first == find_method(spec).version
    plug_in(tmp_path, "return 2")
    assert find_method(spec).version != first


@pytest.mark.parametrize("suffix", [".tif", ".png", ".jpg"])
def test_finished_files_are_read_in_their_own_depth(tmp_path, suffix) -> None:
    """16 bits stay 16 bits in TIFF and PNG; a crop is no fault here."""
    image = FRAMES[0][1:9] if suffix != ".jpg" else np.full((8, 16, 3), 77, np.uint8)
    write_copy(tmp_path / f"a{suffix}", image)
    tifffile.imwrite(tmp_path / "d.tif", np.full((8, 16), 1.5, np.float32))
    result = result_from_files(tmp_path / f"a{suffix}", tmp_path / "d.tif", depth_unit="mm")
    np.testing.assert_array_equal(result.image, image)
    assert (result.depth == 1.5).all()


def test_a_finished_file_that_is_cut_off_is_refused(tmp_path) -> None:
    """The message names the file."""
    write_copy(tmp_path / "a.tif", FRAMES[0])
    data = (tmp_path / "a.tif").read_bytes()
    (tmp_path / "a.tif").write_bytes(data[: len(data) // 2])
    with pytest.raises(ValueError, match=r"a\.tif cannot be read"):
        result_from_files(tmp_path / "a.tif")


def test_a_depth_map_of_another_size_is_refused(tmp_path) -> None:
    """Both shapes are named."""
    write_copy(tmp_path / "a.tif", FRAMES[0])
    tifffile.imwrite(tmp_path / "d.tif", np.zeros((3, 3), np.float32))
    with pytest.raises(InvalidOutput, match=r"\(3, 3\), expected \(12, 16\)"):
        result_from_files(tmp_path / "a.tif", tmp_path / "d.tif")
