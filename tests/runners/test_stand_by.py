"""A process that stands by: what comes of it, and how a command ends when any of them is lost."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from multiprocessing import forkserver, get_start_method, set_start_method
from pathlib import Path

import psutil
import pytest

from stacktruth.ground.stand_by import one_stands_by, stand_by
from stacktruth.runners import cli

ROOT = Path(__file__).resolve().parents[2]

_OF_ONE = """
import os, sys
from stacktruth.ground.stand_by import stand_by

def told():
    parent = f"/proc/{os.getppid()}/status"
    threads = next(line.split()[1] for line in open(parent) if "Threads" in line)
    return os.getppid(), threads, "calendar" in sys.modules, os.environ["OMP_NUM_THREADS"]

if __name__ == "__main__":
    stand_by("calendar")
    from stacktruth.simulator.processes import processes
    with processes(2) as pool:
        print(os.getpid(), *pool.submit(told).result())
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere all are started afresh")
def test_processes_come_of_one_that_has_no_threads(tmp_path):
    """It is not this one, has loaded what it was told to, and holds libraries to one thread."""
    (tmp_path / "own.py").write_text(_OF_ONE)
    environment = os.environ | {"OMP_NUM_THREADS": "7"}
    words = [sys.executable, str(tmp_path / "own.py")]
    ran = subprocess.run(words, capture_output=True, text=True, check=True, env=environment)
    own, parent, threads, loaded, held = ran.stdout.split()
    assert parent != own
    assert (threads, loaded, held) == ("1", "True", "1")


@pytest.mark.parametrize(
    ("words", "stands"),
    [
        ("render ramp --out s", True),
        ("render ramp --out s --workers 4", True),
        ("--debug render ramp --out s --workers=4", True),
        ("render ramp --out s --workers 1", False),
        ("render ramp --out s --workers=1", False),
        ("render --help", False),
        ("bench quick --out s --workers 4", True),
        ("bench quick --out s", False),
        ("bench quick --out s --workers=1", False),
        ("demo", True),
        ("plan ramp", False),
        ("nonsense", False),
    ],
)
def test_one_stands_by_where_others_will_be_started(words, stands, monkeypatch):
    """So it is by default but for a benchmark, which works alone unless it is told otherwise."""
    told = []
    monkeypatch.setattr(cli, "stand_by", lambda *modules: told.append(modules))
    cli._stand_by(words.split())
    assert bool(told) == stands


def test_none_stands_by_where_none_can(monkeypatch):
    """A socket's path has some 100 characters; processes then start afresh."""
    before = get_start_method(allow_none=True)

    def refused():
        raise OSError("AF_UNIX path too long")

    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 1}, raising=False)
    monkeypatch.setattr(forkserver, "ensure_running", refused)
    try:
        stand_by("json")
        assert not one_stands_by()
    finally:
        set_start_method(before, force=True)


def rendering(out: Path) -> tuple[subprocess.Popen[str], list[psutil.Process]]:
    """Start a render by two processes; return it and those when they are at work."""
    words = ["render", "ramp", "--rig", "field-2x", "--frames", "200", "--crop", "1600x1200"]
    argv = [sys.executable, "-m", "stacktruth.runners.cli", *words, "--workers", "2"]
    process = subprocess.Popen(
        [*argv, "--out", str(out)], stderr=subprocess.PIPE, text=True, cwd=ROOT
    )
    until = time.monotonic() + 100
    while not list(out.parent.glob(".*/draft/pieces/tables/*")) and time.monotonic() < until:
        time.sleep(0.02)
    below = psutil.Process(process.pid).children(recursive=True)
    at_work = [one for one in below if one.nice() > psutil.Process(process.pid).nice()]
    assert len(at_work) == 2
    return process, below


@pytest.mark.slow
@pytest.mark.parametrize("lost", ["one", "the one that stands by"])
def test_a_process_that_is_lost_is_told(lost, tmp_path):
    """The command says so, ends with 1, and leaves nothing."""
    process, below = rendering(tmp_path / "s")
    workers = [one for one in below if one.nice() > psutil.Process(process.pid).nice()]
    victim = workers[0] if lost == "one" else workers[0].parent()
    assert victim.pid != process.pid
    victim.kill()
    _, said = process.communicate(timeout=60)
    assert process.returncode == 1
    assert "a rendering process was ended from outside" in said
    assert "Warning" not in said
    assert not list(tmp_path.iterdir())
    assert not psutil.wait_procs(below, timeout=10)[1]


@pytest.mark.slow
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_all_end_with_the_command(how, tmp_path):
    """However it is ended."""
    process, below = rendering(tmp_path / "s")
    process.send_signal(how)
    process.communicate(timeout=60)
    assert process.returncode in {-how, 1}
    assert not psutil.wait_procs(below, timeout=10)[1]
    assert how == signal.SIGKILL or not list(tmp_path.iterdir())
