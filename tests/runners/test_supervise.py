"""Limits on a program and its whole tree: each kind of unruly program ends, and nothing stays."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from stacktruth.runners.isolate.channel import Channel
from stacktruth.runners.isolate.enclose import STANDING
from stacktruth.runners.isolate.isolation import SESSION, best_isolation
from stacktruth.runners.isolate.process_tree import ProcessTree
from stacktruth.runners.isolate.supervise import (
    Ended,
    Limits,
    _told_by,
    _Watch,
    folder_mb,
    supervise,
)

LEVELS = sorted({SESSION, best_isolation()}, key=lambda level: len(level.prefix))
HUNG = "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); time.sleep(60)"
EATING = """
import time
held = []
while True:
    held.append(bytearray(20_000_000))
    time.sleep(0.02)
"""
DEAF_AND_EATING = """
import signal
signal.signal(signal.SIGTERM, lambda *_: open("asked to end", "w").close())
held = []
while True:
    held.append(bytearray(b"x") * 20_000_000)
"""
FORKING = """
import os, time
for _ in range(400):
    if os.fork() == 0:
        os.setsid()
        if os.fork():
            os._exit(0)
        time.sleep(60)
time.sleep(60)
"""
LEAVING = """
import subprocess, sys
subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"], start_new_session=True)
"""
FILLING = """
with open("big", "wb") as file:
    while True:
        file.write(bytes(10_000_000))
"""
FLOODING = """
import sys
while True:
    sys.stdout.write("x" * 100_000)
"""


def run(code: str, folder: Path, prefix: tuple[str, ...] = (), **limits: float) -> Ended:
    """Run Python code under limits."""
    argv = [*prefix, sys.executable, "-c", code]
    env = {"PATH": os.environ["PATH"], "MARK": str(folder)}
    return supervise(argv, cwd=folder, env=env, limits=Limits(**limits))  # type: ignore[arg-type]


def left_behind(folder: Path) -> list[int]:
    """Return the processes that carry the mark of the run in this folder."""
    found = []
    for entry in Path("/proc").iterdir():
        try:
            if f"MARK={folder}\0".encode() in (entry / "environ").read_bytes():
                found.append(int(entry.name))
        except (OSError, ValueError):
            continue
    return found


@pytest.mark.parametrize("level", LEVELS, ids=lambda level: f"{len(level.prefix)} prefix words")
@pytest.mark.parametrize(
    ("code", "limits", "overrun"),
    [
        (HUNG, {"time_s": 0.5}, "time"),
        (EATING, {"memory_mb": 150.0, "time_s": 20}, "memory"),
        (FORKING, {"processes": 60, "time_s": 20}, "processes"),
        (FILLING, {"disk_mb": 50.0, "time_s": 20}, "disk"),
        (FLOODING, {"disk_mb": 50.0, "time_s": 20}, "disk"),
    ],
    ids=["hung", "eating", "forking", "filling", "flooding"],
)
def test_an_unruly_program_is_ended(level, code, limits, overrun, tmp_path) -> None:
    """The limit is named, and no process is left."""
    ended = run(code, tmp_path, level.prefix, **limits)
    assert ended.overrun == overrun
    assert left_behind(tmp_path) == []


def test_who_eats_memory_is_not_asked_to_end(tmp_path) -> None:
    """Told to, and given half a second for it, it would take gigabytes more."""
    ended = run(DEAF_AND_EATING, tmp_path, memory_mb=200.0, time_s=20)
    assert ended.overrun == "memory"
    assert not (tmp_path / "asked to end").exists()
    assert left_behind(tmp_path) == []


@pytest.mark.parametrize("level", LEVELS, ids=lambda level: f"{len(level.prefix)} prefix words")
def test_a_child_left_behind_is_ended(level, tmp_path) -> None:
    """A program that ends well but leaves a process in another session leaves nothing."""
    ended = run(LEAVING, tmp_path, level.prefix, time_s=20)
    assert (ended.returncode, ended.overrun) == (0, "")
    assert left_behind(tmp_path) == []


def test_other_processes_are_left_alone(tmp_path) -> None:
    """Ending one run does not touch a process that is not of its tree."""
    bystander = subprocess.Popen(["sleep", "30"])
    try:
        run(HUNG, tmp_path, time_s=0.3)
        assert bystander.poll() is None
    finally:
        bystander.kill()
        bystander.wait()


def test_peak_memory_is_that_of_the_program(tmp_path) -> None:
    """300 MB touched for a moment are seen, within a few per cent plus the interpreter."""
    code = "held = bytearray(300_000_000); del held; import time; time.sleep(0.2)"
    ended = run(code, tmp_path, time_s=20)
    assert 300 < ended.peak_mb < 330


def test_only_the_end_of_what_is_printed_is_kept(tmp_path) -> None:
    """A long log is cut at the front, and says so."""
    code = "import sys\nfor i in range(20000): print(i)\nprint('bad', file=sys.stderr)"
    ended = run(code, tmp_path, time_s=20, log_kb=1)
    assert ended.stdout.startswith("[...]\n")
    assert ended.stdout.endswith("19999\n")
    assert len(ended.stdout) <= 1006
    assert ended.stderr == "bad\n"


@pytest.mark.parametrize("level", LEVELS, ids=lambda level: f"{len(level.prefix)} prefix words")
def test_a_crash_is_told_by_its_signal(level, tmp_path) -> None:
    """A segmentation fault comes through as signal 11, in a namespace too."""
    code = "import ctypes; ctypes.string_at(0)"
    assert run(code, tmp_path, level.prefix, time_s=20).returncode == -11


def test_the_network_is_off_where_the_level_says_so(tmp_path) -> None:
    """Inside, no interface but a loopback that is down."""
    level = best_isolation()
    if "no network" not in level.name:
        assert level.name == SESSION.name
        return
    code = "import socket; socket.socket(type=socket.SOCK_DGRAM).connect(('192.0.2.1', 9))"
    ended = run(code, tmp_path, level.prefix, time_s=20)
    assert ended.returncode == 1
    assert "unreachable" in ended.stderr


@pytest.mark.slow
def test_time_in_which_a_run_is_stopped_by_others_does_not_count(tmp_path: Path) -> None:
    """Stopped for 3 s, it keeps a limit of 2; one that stops itself does not."""

    def stop_and_go() -> None:
        for _ in range(600):
            if found := left_behind(tmp_path):
                break
            time.sleep(0.05)
        os.kill(found[-1], signal.SIGSTOP)
        time.sleep(3.0)
        os.kill(found[-1], signal.SIGCONT)

    other = threading.Thread(target=stop_and_go)
    other.start()
    ended = run("import time; time.sleep(1.0)", tmp_path, time_s=2.0)
    other.join()
    assert (ended.overrun, ended.returncode) == ("", 0)
    assert ended.seconds < 2.0
    own = run("import os; os.kill(os.getpid(), 19)", tmp_path, time_s=0.5)
    assert own.overrun == "time"


def test_a_sleep_of_the_machine_does_not_count() -> None:
    """Between two looks lie 100 s, in which the run had a second of the processor."""
    channel = Channel()
    channel.open()
    watch = _Watch(None, ProcessTree(0, "x"), [], Path(), Limits(time_s=5.0), channel)
    watch._leave_out([], 100.0, 1.0)
    assert -99.0 < channel.seconds() < -97.0
    watch._leave_out([], 100.0, 80.0)
    assert -119.0 < channel.seconds() < -117.0


@pytest.mark.parametrize(
    ("told", "ended"),
    [
        (b"", None),
        (STANDING, -signal.SIGKILL),
        (STANDING + (3 << 8).to_bytes(4, "little"), 3),
        (STANDING + int(signal.SIGSEGV).to_bytes(4, "little"), -signal.SIGSEGV),
    ],
)
def test_who_stood_by_and_told_nothing_was_killed(told: bytes, ended: int | None) -> None:
    """With nobody to stand by it is the starter's own status that counts."""
    reads, writes = os.pipe()
    os.write(writes, told)
    os.close(writes)
    assert _told_by(reads) == ended


def test_a_file_that_only_claims_to_be_long_takes_no_disk(tmp_path: Path) -> None:
    """Else its row would depend on who looks first: the watch, or the reader of the hand-over."""
    with (tmp_path / "long").open("wb") as file:
        file.truncate(10**10)
    (tmp_path / "written").write_bytes(bytes(2_000_000))
    assert 2.0 <= folder_mb(tmp_path) < 3.0
