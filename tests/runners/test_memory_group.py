"""The kernel holds a run to its memory where it lets us make groups; else looking does."""

import os
import signal
import subprocess
import sys

import pytest

from stacktruth.runners.isolate import memory_group as groups
from stacktruth.runners.isolate.memory_group import how_memory_is_held, memory_group
from stacktruth.runners.isolate.supervise import Limits, supervise

EATS = "b = bytearray(400_000_000); print('ate it')"


@pytest.fixture
def _may_make() -> None:
    if groups._above() is None:
        pytest.skip("no control group may be made here")


@pytest.mark.usefixtures("_may_make")
def test_who_eats_at_once_is_ended_by_the_kernel():
    """Before any look: 400 MB in one step, allowed 100 (and 64 more)."""
    group = memory_group(100.0)
    try:
        script = f"import sys; sys.stdin.read(1); {EATS}"
        run = subprocess.Popen([sys.executable, "-c", script], stdin=subprocess.PIPE)
        group.add([run.pid])
        assert not group.has_killed()
        run.communicate(b"x", timeout=60)
        assert run.returncode == -signal.SIGKILL
        assert group.has_killed()
    finally:
        group.remove()
    assert not group.folder.exists()


@pytest.mark.usefixtures("_may_make")
def test_it_is_told_as_memory_and_leaves_no_group(tmp_path, monkeypatch):
    """Also where looking sees nothing of it."""
    monkeypatch.setattr("stacktruth.runners.isolate.supervise._POLL_S", (5.0, 5.0))
    monkeypatch.setattr("stacktruth.runners.isolate.supervise._POLL_SHARE", 0.0)
    argv = [sys.executable, "-c", f"import time; time.sleep(1); {EATS}"]
    ended = supervise(argv, cwd=tmp_path, env=dict(os.environ), limits=Limits(memory_mb=100.0))
    assert (ended.overrun, "ate it" in ended.stdout) == ("memory", False)
    # Others that test beside this have groups of their own.
    ours = f".{os.getpid()}."
    assert not [name for name in os.listdir(groups._above()) if ours in name]


def test_without_groups_it_is_said_in_a_sentence(monkeypatch):
    """And the run goes on by looking alone."""
    monkeypatch.setattr(groups, "_above", lambda: None)
    assert memory_group(100.0) is None
    assert how_memory_is_held().startswith("by looking at the processes")
    assert "no control group may be made here" in how_memory_is_held()
