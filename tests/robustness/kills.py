"""Kills `bench` and `render` at random moments, runs them again, and looks at what came of it.

``python -m tests.robustness.kills COUNT [--workers N]`` from the root of the checkout, for so many
of each, in so many chains at once. The moments are the same for the same ``--first``; what is going
on then is the machine's affair. After one to four kills in a row the same command is let run to its
end. Asked of it then: the bytes of a run in peace, and nothing else in the folder, in the temporary
directory, or alive.
"""

from __future__ import annotations

import argparse
import os
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from contextlib import suppress
from dataclasses import dataclass
from importlib import import_module
from itertools import count
from multiprocessing import get_context, util
from pathlib import Path

import numpy as np

from stacktruth.runners.cli import COMMANDS, main

METHOD = """
from pathlib import Path

def merge(frames, info):
    Path("left-behind").write_bytes(bytes(100_000))
    return frames[0]
"""
SUITE = """
scenes = ["ramp", "pickets"]
stances = ["braced"]
methods = ["mean", "{method}"]
frames = 2
crop = [384, 256]
bin = 8
quality = "fast"
"""
_MOST_IN_A_ROW = 4
#: One kill in so many is of any process below the runner, and not of the runner.
_OF_OTHERS = 4


@dataclass(frozen=True, kw_only=True)
class Work:
    """A command that is killed, with what it must come to.

    Parameters
    ----------
    argv : tuple of str
        The words after the program's name; ``OUT`` stands for the folder to make.
    peace : mapping of str to bytes
        What a run in peace makes.
    seconds : float
        How long that takes.
    """

    argv: tuple[str, ...]
    peace: dict[str, bytes]
    seconds: float


@dataclass(frozen=True, kw_only=True)
class Chain:
    """Some kills in a row, and the run to the end after them.

    Parameters
    ----------
    kills : int
        That met a process at work.
    wrong : tuple of str
        What is not as it must be.
    found : int
        Things of killed processes that lay about before the last run.
    seconds : float
        The longest of the runs to the end.
    largest_mb : float
        Resident memory of the largest process of those.
    """

    kills: int
    wrong: tuple[str, ...]
    found: int
    seconds: float = 0.0
    largest_mb: float = 0.0


def bench_work(place: Path, *, workers: int = 1) -> Work:
    """Write a suite of two stacks by two methods, 48 x 32 pixels, and run it in peace."""
    (place / "own.py").write_text(METHOD)
    (place / "small.toml").write_text(SUITE.format(method=f"{place / 'own.py'}:merge"))
    return _in_peace(place, "bench", str(place / "small.toml"), "--no-progress", workers=workers)


def render_work(place: Path, *, workers: int = 1) -> Work:
    """Render a stack of three frames of 48 x 32 pixels in peace."""
    small = ("--rig", "field-2x", "--frames", "3", "--crop", "384x256", "--bin", "8")
    how = (*small, "--quality", "fast")
    return _in_peace(place, "render", "ramp", *how, workers=workers)


def _in_peace(place: Path, *words: str, workers: int) -> Work:
    argv = (*words, "--workers", str(workers), "--out", "OUT")
    room = Room(place / "peace")
    started = time.monotonic()
    status, said = room.run_to_the_end(argv)
    if status:
        raise RuntimeError(f"{' '.join(argv)} ended with {status}: {said}")
    return Work(argv=argv, peace=room.made(), seconds=time.monotonic() - started)


class Room:
    """A folder of its own for a command: what it makes, and its temporary directory.

    Parameters
    ----------
    path : Path
        Made; must not be there.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.out, self.temporary = path / "made" / "out", path / "temporary"
        self.out.parent.mkdir(parents=True)
        self.temporary.mkdir()
        self.said = path / "said"

    def start(self, argv: tuple[str, ...]) -> int:
        """Start a command in a session of its own; return the process's number.

        It is a copy of this process, which has loaded everything: no kill is spent on that.
        """
        number = os.fork()
        if number:
            return number
        os.setsid()
        os.environ["TMPDIR"], tempfile.tempdir = str(self.temporary), None
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        os.dup2(os.open(self.said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 2)
        sys.argv[1:] = [str(self.out) if word == "OUT" else word for word in argv]
        status = main()
        util._run_finalizers()  # as at its end, which a copy does not come to
        sys.stderr.flush()
        os._exit(status)

    def run_to_the_end(self, argv: tuple[str, ...]) -> tuple[int, str]:
        """Run a command in peace; return its status and what it said."""
        _, status = os.waitpid(self.start(argv), 0)
        return os.waitstatus_to_exitcode(status), self.said.read_text(errors="replace")

    def killed_after(self, argv: tuple[str, ...], seconds: float, rng: np.random.Generator) -> bool:
        """Start a command and kill it, or one of those below it; tell whether it was at work."""
        number = self.start(argv)
        time.sleep(seconds)
        if os.waitpid(number, os.WNOHANG)[0]:
            return False
        others = self.alive()
        if others and rng.integers(_OF_OTHERS) == 0:
            with suppress(ProcessLookupError):
                os.kill(int(rng.choice(others)), signal.SIGKILL)
            time.sleep(0.2)
        with suppress(ProcessLookupError):
            os.kill(number, signal.SIGKILL)
        os.waitpid(number, 0)
        return True

    def alive(self) -> list[int]:
        """Return the processes that work in this room, or were told of it."""
        found = []
        for entry in Path("/proc").iterdir():
            with suppress(OSError):
                if entry.name.isdigit() and int(entry.name) != os.getpid():
                    told = (entry / "cmdline").read_bytes() + (entry / "environ").read_bytes()
                    here = os.readlink(entry / "cwd").startswith(f"{self.path}/")
                    if here or f"{self.path}/".encode() in told:
                        found.append(int(entry.name))
        return found

    def made(self) -> dict[str, bytes]:
        """Return all files that must be the same in each run, by their names in the folder."""
        files = [path for path in sorted(self.out.rglob("*")) if path.is_file()]
        told = {str(path.relative_to(self.out)): path.read_bytes() for path in files}
        own = ("times.csv", "environment.json")  # of this run alone
        return {
            name: b"" if name in own or name.startswith("cells/") else data
            for name, data in told.items()
        }

    def lies_about(self) -> list[str]:
        """Return what is there that nobody asked for."""
        beside = [path for path in self.out.parent.iterdir() if path != self.out]
        hidden = list(self.out.rglob(".*"))
        stacks = list((self.out / "stacks").glob("*")) if (self.out / "stacks").is_dir() else []
        held = [*self.temporary.iterdir(), *beside, *hidden, *stacks]
        return sorted(str(path.relative_to(self.out.parents[1])) for path in held)


def chain(work: Work, place: Path, rng: np.random.Generator, *, most: int) -> Chain:
    """Kill a command up to four times in a row, let it end, and look at what came of it."""
    room = Room(place)
    kills = 0
    for _ in range(min(int(rng.integers(1, _MOST_IN_A_ROW + 1)), most)):
        kills += room.killed_after(work.argv, float(rng.uniform(0.0, work.seconds)), rng)
    found = len(room.lies_about())
    whole = work.argv[0] == "render" and room.out.exists()
    started = time.monotonic()
    status, said = room.run_to_the_end(work.argv)
    return Chain(
        kills=kills,
        found=found,
        wrong=tuple(_wrong(work, room, status, said, whole)),
        seconds=time.monotonic() - started,
        largest_mb=resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * 1024 / 1e6,
    )


def _wrong(work: Work, room: Room, status: int, said: str, whole: bool) -> Iterator[str]:
    if (status, "exists already" in said) != ((2, True) if whole else (0, False)):
        yield f"ended with {status}: {said.strip()[:300]}"
    made = room.made()
    for name in sorted(made.keys() ^ work.peace.keys()):
        yield f"{name} is {'not there' if name in work.peace else 'more than in peace'}"
    for name in sorted(made.keys() & work.peace.keys()):
        if made[name] != work.peace[name]:
            yield f"{name} has other bytes"
    yield from (f"lies about: {name}" for name in room.lies_about())
    until = time.monotonic() + 5.0
    while room.alive() and time.monotonic() < until:
        time.sleep(0.05)
    yield from (f"still alive: {pid}" for pid in room.alive())


def _numbered(work: Work, place: Path, number: int, most: int) -> Chain:
    rng = np.random.default_rng([number, 20261129])
    return chain(work, place / f"{number}", rng, most=most)


def chains(
    work: Work, place: Path, *, kills: int, first: int = 0, workers: int = 1
) -> Iterator[tuple[int, Chain]]:
    """Yield chains with their numbers until so many kills have met a process at work.

    Of several at once, those that are under way by then come as well.
    """
    numbers = count(first)
    with ProcessPoolExecutor(workers, mp_context=get_context("fork")) as pool:
        under_way: dict[Future[Chain], int] = {}
        while kills > 0 or under_way:
            # Each has one kill at least, most likely.
            while kills > len(under_way) and len(under_way) < workers:
                number = next(numbers)
                under_way[pool.submit(_numbered, work, place, number, kills)] = number
            for done in wait(under_way, return_when=FIRST_COMPLETED).done:
                kills -= done.result().kills
                yield under_way.pop(done), done.result()


def kill_all(kills: int, first: int, at_once: int) -> int:
    """Kill each command so often, print what is wrong, and return how much that is."""
    done: list[Chain] = []
    for name in ("bench", "render"):  # loads them, for all copies of this process
        import_module(f"stacktruth.runners{COMMANDS[name]}")
    for make, workers in ((bench_work, 1), (bench_work, 2), (render_work, 1), (render_work, 2)):
        with tempfile.TemporaryDirectory() as name:
            place = Path(name).resolve()
            work = make(place, workers=workers)
            own: list[Chain] = []
            for number, one in chains(work, place, kills=kills // 2, first=first, workers=at_once):
                own.append(one)
                for text in one.wrong:
                    print(f"{work.argv[0]}, chain {number}: {text}", flush=True)
            print(
                f"{work.argv[0]} with {workers} workers: {sum(one.kills for one in own)} kills, "
                f"{len(own)} runs to the end, {sum(one.found for one in own)} things of killed "
                f"runs found and removed; in peace {work.seconds:.1f} s",
                flush=True,
            )
            done += own
    wrong = sum(len(one.wrong) for one in done)
    print(
        f"kills: {sum(one.kills for one in done)} tried, {wrong} wrong; longest run to the end "
        f"{max(one.seconds for one in done):.1f} s, largest process "
        f"{max(one.largest_mb for one in done):.0f} MB"
    )
    return wrong


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("count", type=int, help="kills of each command, half with two workers")
    parser.add_argument("--first", type=int, default=0, help="number of the first chain")
    parser.add_argument("--workers", type=int, default=1, help="chains at once")
    asked = parser.parse_args()
    sys.exit(bool(kill_all(asked.count, asked.first, asked.workers)))
