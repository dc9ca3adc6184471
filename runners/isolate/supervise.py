"""Run one program within limits of time, memory, processes and disk, and end its whole tree.

The limits are kept by looking at the process tree many times a second, because the kernel's own
limits count one process (CPU time, address space) or one user (processes), not a tree. A process
belongs to the tree when it descends from the program or carries the run's token in its
environment, so one that left session and parent is found too. This guards against accidents, not
against malice.
"""

from __future__ import annotations

import os
import subprocess
import threading
import time
import uuid
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from signal import SIGKILL
from typing import IO

from ...ground.stamps import entries_below
from .channel import Channel
from .enclose import ENDING, STANDING
from .memory_group import memory_group
from .process_tree import (
    TOKEN,
    ProcessTree,
    ended_within,
    machine_mb,
    shared_mb,
    unnamed_mb,
)

#: Time between two looks: a share of the time that the program has run, within bounds, s.
_POLL_SHARE = 0.25
_POLL_S = (0.003, 0.05)
_GRACE_S = 0.5
_DISK_POLL_S = 0.5
# Between two looks no more time passes, unless this process was stopped, or the machine slept.
_GAP_S = 2.0
# How long a stop by someone else is waited for: as a multiple of the limit of time, at least, s.
_STOPPED, _STOPPED_S = 10.0, 60.0
# What of the machine's memory a run may take that has no limit of its own.
_SHARE_OF_MACHINE = 0.9


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What one run may take.

    Parameters
    ----------
    time_s : float
        Wall time, s.
    memory_mb : float, optional
        Memory of the whole tree, MB (1e6 bytes): resident, shared, and in files without a name.
        None: most of what the machine can give when it starts.
    processes : int
        Number of processes alive at once.
    disk_mb : float
        Size of the working folder plus everything printed, MB.
    log_kb : float
        How much of the end of stdout and of stderr is kept, kB.
    """

    time_s: float = 600.0
    memory_mb: float | None = None
    processes: int = 128
    disk_mb: float = 4096.0
    log_kb: float = 16.0


@dataclass(frozen=True, kw_only=True)
class Ended:
    """How a supervised program ended.

    Parameters
    ----------
    returncode : int
        As of `subprocess`: negative when a signal ended it.
    overrun : {"", "time", "memory", "processes", "disk"}
        The limit for which it was ended; empty when it ended by itself.
    seconds : float
        Wall time, s.
    peak_mb : float
        Largest resident memory of the tree that was seen, MB.
    stdout, stderr : str
        The last part of each.
    by_itself : bool
        Whether it told that it asks for a signal that ends itself.
    memory_limit_mb : float or None
        The limit that held.
    """

    returncode: int
    overrun: str
    seconds: float
    peak_mb: float
    stdout: str
    stderr: str
    by_itself: bool = False
    memory_limit_mb: float | None = None


def supervise(
    argv: Sequence[str],
    *,
    cwd: Path,
    env: Mapping[str, str],
    limits: Limits,
    channel: Channel | None = None,
) -> Ended:
    """Run a program without a shell, hold it to its limits, and leave no process behind.

    Parameters
    ----------
    argv : sequence of str
        The program and its arguments.
    cwd : Path
        Its working folder; the size of everything below counts against the disk limit.
    env : mapping
        Its whole environment; a token that marks the run is added.
    limits : Limits
    channel : Channel, optional
        By which it says that it is ready; its time counts from then on.

    Raises
    ------
    OSError
        When the program cannot be started.
    """
    run = Supervised(argv, cwd=cwd, env=env, limits=limits, channel=channel or Channel())
    try:
        run.look_on()
    finally:
        run.end()
    return run.ended()


class Supervised:
    """A program that was started; whoever starts it ends it.

    Parameters
    ----------
    argv, cwd, env, limits, channel
        As for `supervise`, which does all there is to it for a program that does one piece of work.

    Attributes
    ----------
    cwd : Path
    channel : Channel
    """

    def __init__(
        self,
        argv: Sequence[str],
        *,
        cwd: Path,
        env: Mapping[str, str],
        limits: Limits,
        channel: Channel,
    ) -> None:
        token = uuid.uuid4().hex
        channel.open()
        self.cwd, self.channel, self._limits = cwd, channel, _with_memory(limits)
        self._told, tells = os.pipe()
        try:
            self._process = subprocess.Popen(  # the tree is ended in `end`
                list(argv),
                cwd=cwd,
                env={**env, TOKEN: token, ENDING: str(tells), **channel.environment},
                pass_fds=(tells, *channel.descriptors),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                start_new_session=True,
            )
        except BaseException:
            os.close(self._told)
            raise
        finally:
            os.close(tells)
        self._tree = ProcessTree(self._process.pid, token)
        self._group = memory_group(self._limits.memory_mb)
        if self._group is not None:  # before the word that lets the program begin
            self._group.add(self._tree.members())
            self._group.add(self._tree.members())  # and what they started meanwhile
        channel.serve()
        streams = _streams(self._process)
        self._tails = [_Tail(stream, int(limits.log_kb * 1000)) for stream in streams]
        self._overrun, self._peak_mb, self._seconds = "", 0.0, 0.0
        self._ending: int | None = None

    @property
    def is_alive(self) -> bool:
        """Whether it still runs."""
        return self._process.poll() is None

    def look_on(self) -> bool:
        """Look on until it ends or breaks a limit, or rests; tell whether it rests."""
        watch = _Watch(self._process, self._tree, self._tails, self.cwd, self._limits, self.channel)
        self._overrun, self._peak_mb = watch.until_end()
        self._seconds = self.channel.seconds()
        return not self._overrun and self.channel.rests

    def hold(self) -> None:
        """Stop all of its processes, so that it does nothing between two pieces of work."""
        self._tree.stop()

    def go_on(self, message: bytes) -> None:
        """Let it go on with its next piece of work; time, memory and output count from now."""
        for tail in self._tails:
            tail.forget()
        self._tree.forget_peaks()
        self.channel.again()
        self._tree.resume()
        self.channel.tell(message)

    def end(self) -> None:
        """End all of its processes."""
        try:
            if self._overrun == "time":  # of anything else it would take more by then
                self._tree.terminate(self._process, grace_s=_GRACE_S)
        finally:
            self._tree.kill(self._process)
            self.channel.close()
            self._ending = _told_by(self._told)
            if self._group is not None:
                if not self._overrun and self._group.has_killed():
                    self._overrun = "memory"
                self._group.remove()

    def ended(self) -> Ended:
        """Return how it ended."""
        code = self._process.wait()
        return self._said(code if self._ending is None else self._ending, wait_s=1.0)

    def rested(self) -> Ended:
        """Return what a piece of work took, after which it rests; as if it had ended well."""
        return self._said(0, wait_s=0.0)

    def _said(self, returncode: int, *, wait_s: float) -> Ended:
        stdout, stderr = (tail.text(wait_s) for tail in self._tails)
        return Ended(
            returncode=returncode,
            overrun=self._overrun,
            seconds=self._seconds,
            peak_mb=self._peak_mb,
            stdout=stdout,
            stderr=stderr,
            by_itself=self.channel.by_itself,
            memory_limit_mb=self._limits.memory_mb,
        )


def _with_memory(limits: Limits) -> Limits:
    """Return limits of which one is for memory, where anything is known of the machine's."""
    machine = machine_mb()
    if limits.memory_mb is not None or machine is None:
        return limits
    return replace(limits, memory_mb=round(_SHARE_OF_MACHINE * machine))


def _told_by(pipe: int) -> int | None:
    """Return what stood by for the command tells of its end; None where nobody stood by.

    Who stood by and told nothing was killed, and the command with it.
    """
    os.set_blocking(pipe, False)
    try:
        word = os.read(pipe, len(STANDING) + 4)
    except BlockingIOError:
        word = b""
    finally:
        os.close(pipe)
    if not word:
        return None
    status = word.removeprefix(STANDING)
    return os.waitstatus_to_exitcode(int.from_bytes(status, "little")) if status else -SIGKILL


def _streams(process: subprocess.Popen[bytes]) -> list[IO[bytes]]:
    return [stream for stream in (process.stdout, process.stderr) if stream is not None]


@dataclass
class _Watch:
    """Looks at a run until it ends or breaks a limit."""

    process: subprocess.Popen[bytes]
    tree: ProcessTree
    tails: Sequence[_Tail]
    cwd: Path
    limits: Limits
    channel: Channel
    peak_mb: float = 0.0
    stopped_s: float = 0.0
    disk_mb: float = 0.0

    def until_end(self) -> tuple[str, float]:
        """Return the limit broken, if any, and the peak of memory, MB."""
        started = seen = disk_seen = time.perf_counter()
        cpu_s = 0.0
        while True:
            # A quick program is looked at often, or its memory would never be seen.
            age = time.perf_counter() - started
            ended = ended_within(self.process, min(max(_POLL_SHARE * age, _POLL_S[0]), _POLL_S[1]))
            members = self.tree.members()
            if len(members) > self.limits.processes:  # measuring thousands takes minutes
                return "processes", self.peak_mb
            unnamed_memory, unnamed_disk = unnamed_mb(members)
            held_mb = self.tree.resident_mb(members) + shared_mb(members) + unnamed_memory
            self.peak_mb = max(self.peak_mb, held_mb)
            self.channel.let_end()
            now, cpu_before, cpu_s = time.perf_counter(), cpu_s, self.tree.cpu_s(members)
            self._leave_out(members, now - seen, cpu_s - cpu_before)
            seen = now
            if ended or self.channel.rests:
                return "", self.peak_mb
            if now - disk_seen > _DISK_POLL_S:
                disk_seen, self.disk_mb = now, folder_mb(self.cwd)
            if overrun := self._overrun(unnamed_disk):
                return overrun, self.peak_mb

    def _leave_out(self, members: Sequence[int], passed_s: float, cpu_s: float) -> None:
        """Let time not count in which the run was stopped, or we were, or the machine slept."""
        if passed_s > _GAP_S:
            self.channel.leave_out(max(passed_s - max(cpu_s, _GAP_S), 0.0))
            return
        longest_s = max(_STOPPED * self.limits.time_s, _STOPPED_S)
        if self.stopped_s < longest_s and self.tree.all_stopped(members):
            self.stopped_s += passed_s
            self.channel.leave_out(passed_s)

    def _overrun(self, unnamed_disk_mb: float) -> str:
        limits = self.limits
        printed_mb = sum(tail.seen for tail in self.tails) / 1e6
        for name, value, limit in (
            ("memory", self.peak_mb, limits.memory_mb),
            ("disk", self.disk_mb + unnamed_disk_mb + printed_mb, limits.disk_mb),
            ("time", self.channel.seconds(), limits.time_s),
        ):
            if limit is not None and value > limit:
                return name
        return ""


def folder_mb(folder: Path) -> float:
    """Return what all files below a folder take of the disk, MB; links are not followed.

    A file that only claims to be long takes nothing: whoever reads it holds it to its size.
    """
    total = 0
    for entry in entries_below(folder):
        with suppress(OSError):
            total += entry.stat(follow_symlinks=False).st_blocks * 512
    return total / 1e6


class _Tail:
    """Drains a pipe in a thread of its own and keeps only the end of it."""

    def __init__(self, stream: IO[bytes], size: int) -> None:
        self.seen = 0
        self._size = size
        self._kept = bytearray()
        self._thread = threading.Thread(target=self._drain, args=(stream,), daemon=True)
        self._thread.start()

    def _drain(self, stream: IO[bytes]) -> None:
        with stream:
            while chunk := os.read(stream.fileno(), 65536):
                self.seen += len(chunk)
                self._kept += chunk
                del self._kept[: -self._size]

    def forget(self) -> None:
        self.seen = 0
        self._kept.clear()

    def text(self, wait_s: float) -> str:
        self._thread.join(wait_s)
        cut = "[...]\n" if self.seen > self._size else ""
        return cut + bytes(self._kept).decode("utf-8", "replace")
