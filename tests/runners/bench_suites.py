"""Small suites for the tests of the benchmark's runner, and ways to run and disturb them."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path

from stacktruth.runners.bench import bench, load_suite

ROOT = Path(__file__).resolve().parents[2]
TEXT = """
scenes = {scenes}
stances = ["braced"]
methods = {methods}
frames = 3
crop = [768, 512]
bin = 8
quality = "fast"
time_limit_s = 300.0
"""


def write_suite(
    folder: Path,
    *,
    scenes: Iterable[str] = ("ramp", "pickets"),
    methods: Iterable[str] = ("oracle", "focus-map", "mean"),
    more: str = "",
) -> Path:
    """Write small.toml; pictures of 96 x 64 pixels, three frames each."""
    path = folder / "small.toml"
    path.write_text(TEXT.format(scenes=list(scenes), methods=list(methods)) + more)
    return path


def run(suite: Path, out: Path, **how: object) -> bytes:
    """Run a suite in peace; return the table that must not differ."""
    bench(load_suite(suite), out, progress=False, say=lambda _: None, **how)
    return table(out)


def table(out: Path) -> bytes:
    """Return the bytes of rows.csv, in which no time stands."""
    return (out / "rows.csv").read_bytes()


def command(suite: Path, out: Path, *more: str) -> list[str]:
    """Return the command line that a user would type."""
    here = [sys.executable, "-m", "stacktruth.runners.cli", "bench", str(suite), "--out", str(out)]
    return [*here, "--no-progress", *more]


def environment() -> dict[str, str]:
    """Return an environment in which the command line finds the checkout."""
    return dict(os.environ)


def start(suite: Path, out: Path, *more: str) -> subprocess.Popen[str]:
    """Start the command line and go on at once."""
    return subprocess.Popen(
        command(suite, out, *more),
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=_as_at_a_terminal,  # noqa: PLW1509 (one call of the kernel)
    )


def _as_at_a_terminal() -> None:
    """Hear Ctrl-C also where the tests run in the background, whose shell has it ignored."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def kill(process: subprocess.Popen[str]) -> None:
    """Kill -9 a runner; its output may still be held open by others, so it is not read."""
    process.kill()
    process.wait()
    for stream in (process.stdout, process.stderr):
        if stream is not None:
            stream.close()


def wait_for(what: Callable[[], object], *, seconds: float = 400.0) -> object:
    """Wait until something is so, and return it."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        found = what()
        if found:
            return found
        time.sleep(0.02)
    raise TimeoutError(f"waited {seconds:g} s for {what.__doc__ or what}")


def rows_in(out: Path) -> int:
    """Return how many cells are done."""
    return len(list((out / "cells").glob("*.json")))
