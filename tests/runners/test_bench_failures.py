"""What ends a benchmark from outside: nothing done is lost, and the table is the same in the end.

Each test disturbs a run of the same small suite, starts it again with the same command, and asks
for the table of a run in peace, byte for byte.
"""

from __future__ import annotations

import os
import re
import resource
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import psutil
import pytest
import skimage.io

from stacktruth.ground.frames import FrameFiles
from stacktruth.runners.bench import load_suite
from stacktruth.runners.bench.grid.cells import cells_of
from stacktruth.runners.bench.running.store import Store
from stacktruth.runners.cli import main
from stacktruth.runners.isolate.run import run_method
from tests.runners.bench_suites import (
    command,
    environment,
    kill,
    rows_in,
    run,
    start,
    table,
    wait_for,
    write_suite,
)

# It insists on a view of its own; the oracle merges in the stack's.
SLOW = """
import time

def merge(frames, info):
    time.sleep(1.0)
    return {"image": frames[0], "reference": 0}
"""
CELLS = 6


@pytest.fixture(scope="module")
def suite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a suite of two stacks by three methods, one of them a slow file."""
    folder = tmp_path_factory.mktemp("suite")
    (folder / "slow.py").write_text(SLOW)
    slow = f"{folder / 'slow.py'}:merge"
    return write_suite(folder, methods=("oracle", "middle-frame", slow))


@pytest.fixture(scope="module")
def peace(suite: Path, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Run it undisturbed; return its table."""
    return run(suite, tmp_path_factory.mktemp("bench") / "out")


def below(process: subprocess.Popen[str], word: str) -> list[psutil.Process]:
    """Return the Python processes below a runner that have a word in their command line."""
    found = []
    for child in psutil.Process(process.pid).children(recursive=True):
        try:
            line = child.cmdline()
        except psutil.Error:
            continue
        if line and "python" in line[0] and any(word in part for part in line):
            found.append(child)
    return found


def hint(out: Path) -> str:
    """Return what a run that went well ends with."""
    return f"made: {out}; next: stacktruth report {out}\n"


def told(process: subprocess.Popen[str]) -> tuple[int, str]:
    """Wait for the end of a runner; return its status and what it said of it."""
    _, said = process.communicate(timeout=900)
    return process.returncode, said


def is_short(said: str) -> bool:
    """Tell whether a message is one or two lines, and no traceback."""
    lines = said.strip().splitlines()
    return 1 <= len(lines) <= 2 and lines[0].startswith("stacktruth: error: ")


@pytest.mark.slow
class TestKilled:
    """Kill -9 of each kind of process."""

    @pytest.mark.parametrize("workers", ["1", "2"])
    def test_a_killed_runner_takes_its_processes_along(
        self, workers: str, suite: Path, peace: bytes, tmp_path: Path
    ) -> None:
        """The runner alone, at three random moments: all processes below it end with it."""
        out = tmp_path / "out"
        rng = np.random.default_rng()
        moments = rng.uniform(0.0, 4.0, 3)
        for number, moment in enumerate(moments):
            process = start(suite, out, "--workers", workers)
            wait_for(lambda: rows_in(out) > number or process.poll() is not None)  # noqa: B023
            threading.Event().wait(moment)
            all_below = psutil.Process(process.pid).children(recursive=True)
            kill(process)
            _, alive = psutil.wait_procs(all_below, timeout=60)
            assert not alive, moments
        assert run(suite, out) == peace, moments

    def test_a_killed_worker_ends_the_benchmark(
        self, suite: Path, peace: bytes, tmp_path: Path
    ) -> None:
        """One of two workers: the run ends and says so in two lines."""
        out = tmp_path / "out"
        process = start(suite, out, "--workers", "2")
        wait_for(lambda: below(process, "stacktruth.runners.isolate.child"))
        methods = below(process, "stacktruth.runners.isolate.child")
        started = below(process, "multiprocessing")
        next(above for above in methods[0].parents() if above in started).kill()
        status, said = told(process)
        assert status == 1
        assert is_short(said)
        assert "processes were ended from outside" in said
        assert "the same command resumes" in said
        assert run(suite, out) == peace

    def test_a_killed_method_is_tried_again(
        self, suite: Path, peace: bytes, tmp_path: Path
    ) -> None:
        """A method's process: its cell has a row that says so, and is tried again."""
        out = tmp_path / "out"
        process = start(suite, out)
        starters = "enclose.py"  # those that start it have its command line in theirs
        wait_for(
            lambda: [
                child
                for child in below(process, "stacktruth.runners.isolate.child")
                if child not in below(process, starters)
            ]
        )[0].kill()
        status, said = told(process)
        assert (status, said) == (1, "stacktruth bench: 1 of 6 cells failed\n")
        rows = pd.read_csv(out / "rows.csv")
        lost = rows[rows["status"] != "ok"]
        assert lost["method"].tolist() == ["slow:merge"]
        assert lost["reason"].tolist() == ["ended from outside by signal SIGKILL"]
        assert rows.loc[rows["method"] == "oracle", "reference"].tolist() == [1, 1]
        assert run(suite, out) == peace


@pytest.mark.slow
@pytest.mark.parametrize("workers", ["1", "2"])
def test_an_interrupted_benchmark_keeps_what_is_done(
    workers: str, suite: Path, peace: bytes, tmp_path: Path
) -> None:
    """Ctrl-C while a method runs: no process stays, what is done is kept, and it is resumed."""
    out = tmp_path / "out"
    process = start(suite, out, "--workers", workers)
    wait_for(lambda: below(process, "stacktruth.runners.isolate.child"))
    all_below = psutil.Process(process.pid).children(recursive=True)
    process.send_signal(signal.SIGINT)
    status, said = told(process)
    assert status == 1
    assert is_short(said)
    assert "interrupted" in said
    assert not psutil.wait_procs(all_below, timeout=60)[1]
    kept = contents(out / "cells")
    assert len(kept) < CELLS
    assert run(suite, out) == peace
    assert kept.items() <= contents(out / "cells").items()


@pytest.mark.slow
class TestNoWriting:
    """No room, and no permission."""

    @pytest.mark.parametrize("most", [100, 40_000])
    def test_files_may_not_grow(self, most: int, suite: Path, peace: bytes, tmp_path: Path) -> None:
        """A limit on the size of a file, at the first file and in the middle of a stack."""
        out = tmp_path / "out"
        before = one_cell_done(suite, out)
        hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
        ran = limited(
            command(suite, out), lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (most, hard))
        )
        assert ran.returncode == 1
        assert is_short(ran.stderr)
        assert f"{out}: File too large" in ran.stderr
        assert "what is done is kept" in ran.stderr
        assert contents(out / "cells") == before
        assert run(suite, out) == peace

    def test_folder_may_not_be_written(self, suite: Path, peace: bytes, tmp_path: Path) -> None:
        """Mode bits; root, whom they do not bind, gives up the right to pass over them."""
        out = tmp_path / "out"
        before = one_cell_done(suite, out)
        folders = [out / "cells", out / "stacks", out / "outputs", out]
        for folder in folders:
            folder.chmod(0o555)
        humble = ("setpriv", "--bounding-set=-dac_override", "--inh-caps=-dac_override")
        ran = limited([*(humble if os.geteuid() == 0 else ()), *command(suite, out)])
        for folder in folders:
            folder.chmod(0o755)
        assert ran.returncode != 0
        assert is_short(ran.stderr)
        assert str(out) in ran.stderr
        assert "got Permission denied, expected a folder to write to" in ran.stderr
        assert contents(out / "cells") == before
        assert run(suite, out) == peace

    def test_a_full_disk_loses_nothing(self, suite: Path, peace: bytes, tmp_path: Path) -> None:
        """A file system of 600 kB holds the first stack with its cells; then it is enlarged."""
        first, second = on_file_system(suite, tmp_path, "size=600k", "remount,size=64m")
        assert first.returncode == 1
        assert is_short(first.stderr)
        assert f"{tmp_path / 'out'}: No space left on device" in first.stderr
        assert second.stderr.startswith("made: ")
        kept = contents(tmp_path / "after-first")
        assert 1 <= len([name for name in kept if name.endswith(".json")]) < CELLS
        assert kept.items() <= contents(tmp_path / "after-second" / "cells").items()
        assert table(tmp_path / "after-second") == peace

    def test_a_disk_that_turns_read_only_loses_nothing(
        self, suite: Path, peace: bytes, tmp_path: Path
    ) -> None:
        """A file system that is read-only, and then is not."""
        first, second = on_file_system(suite, tmp_path, "ro,size=64m", "remount,rw")
        assert first.returncode == 2
        assert is_short(first.stderr)
        assert str(tmp_path / "out") in first.stderr
        assert "got Read-only file system, expected a folder to write to" in first.stderr
        assert second.stderr.startswith("made: ")
        assert table(tmp_path / "after-second") == peace


def one_cell_done(suite: Path, out: Path) -> dict[str, bytes]:
    """Do one cell, and return what it left that must stay."""
    run(suite, out, only=cells_of(load_suite(suite))[2].key)
    return contents(out / "cells")


def limited(
    argv: list[str], before: Callable[[], None] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run a command line under limits.

    No bytecode is written: Python takes what was cut short by a limit for whole, later.
    """
    return subprocess.run(
        argv,
        env={**environment(), "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        timeout=900,
        check=False,
        preexec_fn=before,
    )


def contents(folder: Path) -> dict[str, bytes]:
    """Return the bytes of all files of a folder."""
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@cache
def own_mounts() -> tuple[str, ...]:
    """Return what goes before a command that may mount; the mounts end with it."""
    for more in ((), ("--user", "--map-root-user")):
        prefix = ("unshare", "--mount", *more)
        tried = [*prefix, "mount", "-t", "tmpfs", "-o", "size=64k", "none", "/mnt"]
        if subprocess.run(tried, capture_output=True, check=False).returncode == 0:
            return prefix
    return ()


def on_file_system(
    suite: Path, place: Path, options: str, remount: str
) -> list[subprocess.CompletedProcess[str]]:
    """Run the suite on a file system of its own, change that, and run it again.

    What the first run left in cells is in after-first, what the second left in after-second.
    """
    if not own_mounts():
        pytest.skip("nothing may be mounted here; files that may not grow are tested all the same")
    out = place / "out"
    out.mkdir()
    script = f"""
        mount -t tmpfs -o {options} none out
        "$@" 2> first
        echo $? > first-status
        cp -r out/cells after-first
        mount -o {remount} out
        "$@" 2> second
        echo $? > second-status
        cp -r out after-second
    """
    subprocess.run(
        [*own_mounts(), "sh", "-c", script, "sh", *command(suite, out)],
        cwd=place,
        env=environment(),
        capture_output=True,
        timeout=1800,
        check=False,
    )
    return [
        subprocess.CompletedProcess(
            [], int((place / f"{name}-status").read_text()), "", (place / name).read_text()
        )
        for name in ("first", "second")
    ]


HANGING = """
from pathlib import Path
from stacktruth.runners.isolate.isolation import best_isolation
from stacktruth.runners.isolate.supervise import Limits, supervise
argv = [*best_isolation().prefix, "sleep", "600"]
supervise(argv, cwd=Path("."), env={"PATH": "/usr/bin:/bin"}, limits=Limits(time_s=600))
"""


@pytest.mark.skipif(not shutil.which("setpriv"), reason="no setpriv to tie processes together")
def test_a_method_ends_with_whoever_started_it(tmp_path: Path) -> None:
    """Kill -9 of the process that runs a method: one that hangs does not hang for ever."""
    argv = [sys.executable, "-c", HANGING]
    process = subprocess.Popen(argv, cwd=tmp_path, env=environment(), text=True)

    def sleeping() -> list[psutil.Process]:
        below = psutil.Process(process.pid).children(recursive=True)
        return [child for child in below if child.name() == "sleep"]

    [method] = wait_for(sleeping)
    process.kill()
    process.wait()
    assert not psutil.wait_procs([method], timeout=60)[1]


def test_a_method_without_room_for_its_result_is_tried_again(tmp_path: Path) -> None:
    """A method is not to blame when its result cannot be written: the cell is tried again."""
    (tmp_path / "big.py").write_text("def merge(frames, info):\n    return frames[0]\n")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    frames = [np.zeros((50, 60, 3), np.uint8)]
    info = {"frames": [{"file": "0000.tif"}], "height_px": 50, "width_px": 60}
    spec = f"{tmp_path / 'big.py'}:merge"
    # First in peace, which also writes all bytecode: what a limit cuts short of it stays so.
    assert run_method(spec, frames, info).status == "ok"
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (9_100, hard))  # a frame, and no more
        got = run_method(spec, FrameFiles([frame_in(tmp_path, frames[0])]), info)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert got.status == "killed", (got.reason, got.stderr)
    assert got.reason.startswith("ended from outside: no room for its result in ")
    assert got.from_outside


def frame_in(folder: Path, image: np.ndarray) -> Path:
    """Write a frame as PNG, which is small."""
    path = folder / "0000.png"
    skimage.io.imsave(path, image, check_contrast=False)
    return path


@pytest.mark.slow
def test_what_is_damaged_in_the_folder_is_made_again(
    suite: Path, peace: bytes, tmp_path: Path
) -> None:
    """Cells cut short anywhere, the suite, the tables, a rendered stack: all is made good again."""
    out = tmp_path / "out"
    run(suite, out, keep_frames=True)
    files = sorted((out / "cells").iterdir())
    for file, share in zip(files[:4], (0.0, 0.01, 0.5, 0.999), strict=True):
        shorten(file, share)
    for name in ("suite.json", "environment.json", "rows.csv", "times.csv"):
        shorten(out / name, 0.5)
    for frame in (out / "stacks").glob("*/frames/0001.tif"):
        shorten(frame, 0.5)
    (out / "cells" / ".draft-of-a-killed-run").write_bytes(b"{")
    whole = {file.name: file.read_bytes() for file in files[4:]}
    assert run(suite, out, keep_frames=True) == peace
    assert whole.items() <= contents(out / "cells").items()


def shorten(file: Path, share: float) -> None:
    """Cut a file short."""
    data = file.read_bytes()
    file.write_bytes(data[: int(len(data) * share)])


@pytest.mark.slow
class TestTwoAtOnce:
    """Two runners on one folder."""

    def test_the_second_is_refused(self, suite: Path, peace: bytes, tmp_path: Path) -> None:
        """It says why and does nothing; the first is not disturbed."""
        out = tmp_path / "out"
        first = start(suite, out)
        wait_for(lambda: rows_in(out))
        second = limited(command(suite, out))
        assert second.returncode == 2
        assert is_short(second.stderr)
        assert f"{out}: another benchmark is at work in this folder" in second.stderr
        assert told(first) == (0, hint(out))
        assert table(out) == peace

    def test_parts_that_overlap_are_done_once(
        self, suite: Path, peace: bytes, tmp_path: Path
    ) -> None:
        """The whole and a half of it at the same time: each stack is done once."""
        out = tmp_path / "out"
        both = [start(suite, out, "--shard", part) for part in ("1/1", "1/2")]
        assert [told(process) for process in both] == [(0, hint(out))] * 2
        assert run(suite, out) == peace
        assert not list((out / "stacks").iterdir())


def test_a_stack_is_locked_by_one(tmp_path: Path) -> None:
    """Eight threads add to a number in a file, each 30 times: nothing is lost, no lock stays."""
    store = Store(tmp_path)
    number = tmp_path / "number"
    number.write_text("0")

    def add() -> None:
        for _ in range(30):
            with store.stack_locked("abc"):
                held = int(number.read_text())
                os.sched_yield()
                number.write_text(str(held + 1))

    threads = [threading.Thread(target=add, daemon=True) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
        assert not thread.is_alive()
    assert number.read_text() == "240"
    assert [path.name for path in tmp_path.iterdir()] == ["number"]


@pytest.mark.slow
def test_a_report_can_be_made_of_what_is_done_so_far(
    suite: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """While it runs and after it was ended: the page is whole and says how much is done."""
    out = tmp_path / "out"
    process = start(suite, out)
    wait_for(lambda: rows_in(out) >= 2)
    assert main(["report", str(out)]) == 0
    assert 2 <= len(pd.read_csv(out / "rows.csv")) < CELLS
    kill(process)
    assert main(["report", str(out)]) == 0
    done = len(pd.read_csv(out / "rows.csv"))
    assert 2 <= done < CELLS
    page = (out / "report.html").read_text()
    assert f"{done} of {CELLS} cells are done" in page
    assert page.rstrip().endswith("</html>")
    assert str(out / "report.html") in capsys.readouterr().out


@pytest.mark.slow
def test_progress_tells_the_time_left(suite: Path, tmp_path: Path) -> None:
    """On stderr: cells done of all, time gone, time left; in the end all of them and none."""
    process = start(suite, tmp_path / "out", "--progress")
    status, said = told(process)
    assert status == 0
    steps = [line for line in said.splitlines() if line.strip()][:-1]  # the last is a hint
    assert any(re.match(r"small: .* [1-5]/6 \[\d\d:\d\d<\d\d:\d\d, ", line) for line in steps), (
        steps
    )
    assert "6/6 [" in steps[-1]
    assert "<00:00" in steps[-1]
