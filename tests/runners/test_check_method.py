"""Every way to break the contract is found by its own check, and sound methods pass.

No source outside: these are the promises of this project's own contract.
"""

import re
import shutil
import sys
import tomllib
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from stacktruth.runners.cli import main
from stacktruth.runners.contract import Outcome, Result
from stacktruth.runners.isolate.external import Program
from stacktruth.runners.isolate.run import Method, find_method, run_method
from stacktruth.runners.judge import check_method as checks
from stacktruth.runners.judge.check_method import check_method, small_stack, trials
from stacktruth.runners.methods import METHODS
from stacktruth.simulator import load_scene

ROOT = Path(__file__).parents[2]

#: What a bad method does, and the one check (of those that run it) that finds it.
BAD = {
    "raises on one frame": (
        "return frames[0] if len(frames) > 1 else frames[1]",
        "one frame",
        "failed, .*IndexError",
    ),
    "needs three frames": (
        "return frames[0] if len(frames) != 2 else frames[2]",
        "two frames",
        "failed, .*IndexError",
    ),
    "random bytes": (
        "f = frames[0]; return (f - f % 16) + np.random.default_rng().integers("
        "0, 16, f.shape).astype(f.dtype)",
        "repeated run",
        "differ in: image",
    ),
    "drops odd rows": (
        "f = frames[0]; return f[: f.shape[0] // 2 * 2, : f.shape[1] // 2 * 2]",
        "odd size",
        "invalid-output, image: got shape",
    ),
    "uint8 for 16 bits": (
        "f = frames[0]; return f if f.dtype == np.uint8 else (f >> 8).astype(np.uint8)",
        "ordinary stack, 16 bits",
        "uint8, so most tones are lost",
    ),
    "16-bit scale for 8 bits": (
        "return frames[0].astype(np.uint16)",
        "8 bits",
        "mean is 0.00. of white",
    ),
    "tints grey": (
        "f = frames[0]; same = (f[..., 0] == f[..., 2]).all(); "
        "return f if not same else (f * np.array([1, 0.9, 1])).astype(f.dtype)",
        "grey subject",
        "coloured picture: channels",
    ),
    "multiplies by light": (
        "lit = all(f.any() for f in frames); return frames[0] * np.uint8(lit)",
        "a black frame",
        "mean is 0.000 of white",
    ),
}


@pytest.fixture(scope="module")
def easy_stack():
    """Return the frames of the checks with a ramp for the leaf, whose hairs take long to render."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(checks, "load_scene", lambda _: load_scene("ramp"))
        return small_stack.__wrapped__()


@pytest.fixture
def easily(easy_stack, monkeypatch) -> None:
    """Try methods on frames of a ramp; built-in ones are tried on those of the leaf."""
    monkeypatch.setattr(checks, "small_stack", lambda: easy_stack)


def run_here(method, frames, info, **_):
    """Run a method without limits, for which a built-in one needs no process of its own."""
    return run_method(method, frames, info)


def plug_in(folder: Path, body: str) -> Method:
    """Return a method whose function has this body."""
    file = folder / "bad.py"
    file.write_text(f"import time\nimport numpy as np\n\ndef merge(frames, info):\n    {body}\n")
    return find_method(f"{file}:merge")


def failures(method: Method, **limits: float) -> dict[str, str]:
    """Return what each failed check says."""
    found = list(check_method(method, **limits))
    assert all(verdict.advice for verdict in found if verdict.status == "failed")
    return {verdict.check: verdict.reason for verdict in found if verdict.status == "failed"}


@pytest.mark.usefixtures("easily")
@pytest.mark.parametrize("name", BAD)
def test_a_bad_method_is_found_by_its_own_check(name, tmp_path, monkeypatch) -> None:
    """The check that is meant for the fault fails, and no other of a small set."""
    body, check, reason = BAD[name]
    ordinary, *rest = trials()
    monkeypatch.setattr(
        checks, "trials", lambda **_: [ordinary, *[trial for trial in rest if trial.check == check]]
    )
    found = failures(plug_in(tmp_path, body))
    assert list(found) == [check]
    assert re.search(reason, found[check])


@pytest.mark.usefixtures("easily")
def test_a_method_that_hangs_costs_one_limit(tmp_path) -> None:
    """After a time-out on the ordinary stack nothing more is tried."""
    found = failures(plug_in(tmp_path, "time.sleep(60)"), time_limit_s=2)
    assert "timed-out" in found["ordinary stack, 16 bits"]
    assert "nothing more was tried" in found["all other checks"]


def test_a_run_that_took_too_much_memory_is_told() -> None:
    """An ended run is no figure of time and memory."""
    ended = Outcome(status="killed", reason="900 MB, allowed 500", seconds=1.0)
    verdict = checks.cost(ended, "1 s and 500 MB")
    assert (verdict.status, verdict.reason) == ("failed", "900 MB, allowed 500")


def test_a_depth_that_changes_is_not_repeated() -> None:
    """Not the picture alone must be the same, and NaN is like NaN."""
    image = np.zeros((2, 2, 3), np.uint8)
    depth = np.full((2, 2), np.nan, np.float32)
    one = Outcome(status="ok", result=Result(image=image, depth=depth))
    other = Outcome(status="ok", result=Result(image=image, depth=np.nan_to_num(depth)))
    assert checks.repeated(one, one).status == "ok"
    assert checks.repeated(one, other).reason.endswith("differ in: depth")


@pytest.mark.usefixtures("easily")
def test_frames_tried_are_what_they_are_called() -> None:
    """Odd is odd in both directions, grey is grey, 8 bits are 8, and one frame has no light."""
    by_name = {trial.check: trial for trial in trials()}
    assert [size % 2 for size in by_name["odd size"].frames[0].shape[:2]] == [1, 1]
    assert all(np.ptp(frame, axis=2).max() == 0 for frame in by_name["grey subject"].frames)
    assert by_name["8 bits"].frames[0].dtype == np.uint8
    assert by_name["8 bits"].info["bits"] == 8
    assert sum(not frame.any() for frame in by_name["a black frame"].frames) == 1
    for trial in by_name.values():
        assert len(trial.frames) == len(trial.info["frames"])
    frames, info = checks.small_stack()
    assert frames[0].shape == (info["height_px"], info["width_px"], 3)


@pytest.mark.usefixtures("easily")
def test_the_method_in_the_tutorial_passes(tmp_path, capsys) -> None:
    """What a reader copies out of the tutorial keeps the contract."""
    page = (ROOT / "docs" / "tutorials" / "is_my_method_better.md").read_text()
    blocks = re.findall(r"```python\n(.*?)```", page, re.DOTALL)
    (code,) = [block for block in blocks if "def merge(frames, info)" in block]
    (tmp_path / "mine.py").write_text(code)
    assert main(["check-method", f"{tmp_path / 'mine.py'}:merge"]) == 0
    told = capsys.readouterr().out.splitlines()
    assert len(told) == 10
    assert all(line.startswith("ok ") for line in told[:-1])


def test_the_program_in_the_guide_can_be_read(tmp_path) -> None:
    """What a reader copies out of the book is a file of programs, with every key there is."""
    page = (ROOT / "docs/howto/a_method_in_another_language.md").read_text(encoding="utf-8")
    *_, text = re.findall(r"```toml\n(.*?)```", page, re.DOTALL)
    (tmp_path / "methods.toml").write_text(text)
    method = find_method("my-program", programs=tmp_path / "methods.toml")
    assert method.kind == "program"
    assert set(tomllib.loads(text)["my-program"]) | {"name"} == {
        field.name for field in fields(Program)
    }


@pytest.mark.usefixtures("easily")
def test_a_failed_check_is_status_one_with_a_line_on_stderr(tmp_path, capsys) -> None:
    """The verdicts go to stdout, the count to stderr."""
    plug_in(tmp_path, "raise ValueError('not today')")
    assert main(["check-method", f"{tmp_path / 'bad.py'}:merge"]) == 1
    out, err = capsys.readouterr()
    assert "not today" in out
    assert "failed " in err


@pytest.mark.parametrize(
    ("spec", "message"),
    [("oracle", "truth-fed"), ("nothing", "unknown method"), ("x {output}", "no frames")],
)
def test_what_cannot_be_checked_is_refused(spec, message, capsys) -> None:
    """A wrong request ends with 2 and prints no verdict."""
    assert main(["check-method", spec]) == 2
    out, err = capsys.readouterr()
    assert (out, message in err) == ("", True)


@pytest.mark.slow
@pytest.mark.usefixtures("easily")
def test_a_program_of_a_file_passes(tmp_path, capsys) -> None:
    """A named program and the same as a command line both keep the contract."""
    script = shutil.copy(ROOT / "runners" / "examples" / "outside_program.py", tmp_path)
    command = [sys.executable, str(script), "{output}", "{frames}"]
    listed = tmp_path / "methods.toml"
    listed.write_text(f"[local]\ncommand = {command!r}\n")
    assert main(["check-method", "local", "--methods", str(listed)]) == 0
    assert main(["check-method", " ".join(command)]) == 0


def test_a_program_that_asks_for_eight_bits_may_give_eight() -> None:
    """Only then is the loss of tones its own wish."""
    command = ("true", "{frames}", "{output}")
    for image_format, allowed in (("tiff8", True), ("tiff16", False), ("", False)):
        program = Program(name="p", command=command, image_format=image_format)
        method = Method("p", "program", "p", program)
        assert checks._writes_eight_bits(method) is allowed


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name in METHODS if name != "oracle"])
def test_every_built_in_passes(name, monkeypatch) -> None:
    """Every recipe keeps the contract that it is measured by.

    One as the command runs it, the others in this process, where none has to load its libraries.
    """
    if name != "focus-map":
        monkeypatch.setattr(checks, "run_method", run_here)
    assert failures(find_method(name)) == {}
