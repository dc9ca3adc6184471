"""A folder in which commands run as a user runs them, while something happens to it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property
from importlib import import_module
from multiprocessing import util
from pathlib import Path
from typing import NoReturn

from stacktruth.runners.cli import COMMANDS, main

for _name in ("bench", "render", "report", "score", "compare", "verify", "check-stack"):
    import_module(f"stacktruth.runners{COMMANDS[_name]}")  # once, for all copies of this process
import_module("stacktruth.runners.bench.running.tables")

LONGEST_S = 120.0
SUITE = """
scenes = ["ramp"]
stances = ["braced"]
methods = {methods}
frames = 2
crop = [384, 256]
bin = 8
quality = "fast"
"""
OWN = """
import time

def merge(frames, info):
    return frames[0]

def slow(frames, info):
    time.sleep(2)
    return frames[info["reference"]]

def hungry(frames, info):
    held = [bytearray(50_000_000) for _ in range(100)]
    return frames[0]
"""


@dataclass
class Ran:
    """A command that has ended."""

    status: int
    said: str

    def wrong(self, *statuses: int, says: str = "") -> list[str]:
        """Return what is not as it must be: the status, a sentence where something went wrong."""
        found = []
        if self.status not in statuses:
            found.append(f"ended with {self.status}, expected {statuses}: {self.said[-400:]}")
        if says not in self.said:
            found.append(f"does not say {says!r}: {self.said[-400:]}")
        if "Traceback" in self.said or "Error:" in self.said:
            found.append(f"shows its inside: {self.said[-400:]}")
        errors = [line for line in self.said.splitlines() if "stacktruth: error" in line]
        if self.status and "cells failed" not in self.said and len(errors) != 1:
            found.append(f"{len(errors)} sentences of what is wrong: {self.said[-400:]}")
        return found


class Process:
    """A command of ours at work, in a session of its own; its output goes to a file.

    Parameters
    ----------
    words : sequence of str
        After the program's name.
    before : sequence of str
        Words to start it by; without any it is a copy of this process, which has loaded all.
    cwd : Path
    env : mapping
    said : Path
        Takes what it prints.
    """

    def __init__(
        self,
        words: Sequence[str],
        *,
        before: Sequence[str],
        cwd: Path,
        env: Mapping[str, str],
        said: Path,
    ) -> None:
        self.said, self.status = said, None
        self._started: subprocess.Popen[bytes] | None = None
        with said.open("wb") as file:
            if before:
                argv = [*before, sys.executable, "-m", "stacktruth.runners.cli", *words]
                null = subprocess.DEVNULL
                how = {"cwd": cwd, "env": env, "stdin": null, "stdout": file, "stderr": file}
                self._started = subprocess.Popen(argv, start_new_session=True, **how)
                self.pid = self._started.pid
                return
            self.pid = os.fork()
            if self.pid == 0:
                _become(words, cwd, env, file.fileno())

    def poll(self) -> int | None:
        """Return its exit status, negative for a signal; None where it is at work."""
        if self._started is not None:
            self.status = self._started.poll()
        elif self.status is None:
            ended, status = os.waitpid(self.pid, os.WNOHANG)
            self.status = os.waitstatus_to_exitcode(status) if ended else None
        return self.status

    def has_ended_within(self, seconds: float) -> bool:
        """Wait for a while; tell whether it has ended."""
        until = time.monotonic() + seconds
        while self.poll() is None and time.monotonic() < until:
            time.sleep(0.02)
        return self.status is not None

    def send(self, number: signal.Signals) -> None:
        """Send it a signal, if it is still there."""
        with suppress(ProcessLookupError):
            os.kill(self.pid, number)


def _become(words: Sequence[str], cwd: Path, env: Mapping[str, str], said: int) -> NoReturn:
    os.setsid()
    os.chdir(cwd)
    os.environ.clear()
    os.environ.update(env)
    tempfile.tempdir = None
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    os.dup2(said, 1)
    os.dup2(said, 2)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    # As whoever starts it finds them: a test's own streams go elsewhere.
    sys.stdout, sys.stderr = (os.fdopen(number, "w", closefd=False) for number in (1, 2))
    sys.argv[1:] = words
    status = main()
    util._run_finalizers()  # as at its end, which a copy does not come to
    with suppress(OSError):
        sys.stdout.flush()
        sys.stderr.flush()
    os._exit(status)


class Room:
    """A folder in which commands run, with files of suites and methods.

    Parameters
    ----------
    path : Path
        Made.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.out, self.temporary = path / "out", path / "temporary"
        self.temporary.mkdir(parents=True)
        self._count = 0
        (path / "own.py").write_text(OWN)
        self.suite()

    def suite(self, name: str = "small", *methods: str, more: str = "") -> str:
        """Write a suite; by default a method that takes two seconds, then a built-in one."""
        listed = [*(methods or (self.own("slow"), "mean"))]
        (self.path / f"{name}.toml").write_text(SUITE.format(methods=listed) + more)
        return f"{name}.toml"

    def own(self, name: str) -> str:
        """Return the spec of a method of the file beside the suite."""
        return f"{self.path / 'own.py'}:{name}"

    def start(self, *words: str, before: tuple[str, ...] = (), **env: str | None) -> Process:
        """Start a command of ours; without words before it, as a copy of this process."""
        merged = {**os.environ, "TMPDIR": str(self.temporary), **env}
        told = {name: value for name, value in merged.items() if value is not None}
        return Process(words, before=before, cwd=self.path, env=told, said=self._new_file())

    def _new_file(self) -> Path:
        self._count += 1
        return self.path.parent / f"said-{self._count}"

    def ended(self, process: Process) -> Ran:
        """Wait for a command; one that hangs is ended, which its status then says."""
        hung = not process.has_ended_within(LONGEST_S)
        if hung:
            os.killpg(process.pid, signal.SIGKILL)
            process.has_ended_within(LONGEST_S)
        said = process.said.read_text(errors="replace")
        return Ran(process.status or 0, said + " took too long" * hung)

    def run(self, *words: str, before: tuple[str, ...] = (), **env: str | None) -> Ran:
        """Run a command of ours to its end."""
        return self.ended(self.start(*words, before=before, **env))

    def bench_words(self, *more: str, suite: str = "small.toml") -> tuple[str, ...]:
        """Return the words of a benchmark into `out`."""
        return ("bench", suite, "--out", str(self.out), "--no-progress", *more)

    def bench(
        self,
        *more: str,
        suite: str = "small.toml",
        before: tuple[str, ...] = (),
        **env: str | None,
    ) -> Ran:
        """Run a benchmark into `out`."""
        return self.run(*self.bench_words(*more, suite=suite), before=before, **env)

    def at_work(self, *more: str, before: tuple[str, ...] = (), **env: str | None) -> Process:
        """Start a benchmark, and return when its first, slow method is at work."""
        process = self.start(*self.bench_words(*more), before=before, **env)
        self.wait_for(lambda: [*self.temporary.glob("stacktruth-run-*/frames/*")], process)
        time.sleep(0.5)
        return process

    def wait_for(self, what: Callable[[], object], process: Process) -> None:
        """Wait until something is so, or the process has ended."""
        until = time.monotonic() + LONGEST_S
        while not what() and process.poll() is None and time.monotonic() < until:
            time.sleep(0.02)

    @cached_property
    def peace(self) -> bytes:
        """The table of a run in peace, in a folder beside."""
        ran = self.run("bench", "small.toml", "--out", "peace", "--no-progress")
        if ran.status:
            raise RuntimeError(ran.said)
        return (self.path / "peace" / "rows.csv").read_bytes()

    def not_as_in_peace(self) -> list[str]:
        """Return what of the table differs, and what lies about."""
        found = []
        try:
            if (self.out / "rows.csv").read_bytes() != self.peace:
                found.append("rows.csv has other bytes than in peace")
        except OSError as error:
            found.append(f"rows.csv: {error.strerror}")
        return [*found, *self.lies_about()]

    def lies_about(self) -> list[str]:
        """Return what nobody asked for."""
        hidden = [path for path in self.path.rglob(".*") if path.name != ".gitignore"]
        stacks = [*(self.out / "stacks").glob("*")] if (self.out / "stacks").is_dir() else []
        held = [*self.temporary.iterdir(), *hidden, *stacks]
        return [f"lies about: {path.relative_to(self.path)}" for path in sorted(held)]

    def resumed(self, *more: str) -> list[str]:
        """Run the same command again, to its end; return what is wrong with what came of it."""
        return [*self.bench(*more).wrong(0), *self.not_as_in_peace()]

    def rows(self) -> str:
        """Return the text of the table."""
        return (self.out / "rows.csv").read_text()

    def files(self) -> dict[str, bytes]:
        """Return all files in `out` with their bytes."""
        found = sorted(path for path in self.out.rglob("*") if path.is_file())
        return {str(path.relative_to(self.out)): path.read_bytes() for path in found}
