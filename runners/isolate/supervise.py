"""Run one program within limits of time, memory, processes and disk, and end its whole tree.

The limits are kept by looking at the process tree many times a second, because the kernel's own
limits count one process (CPU time, address space) or one user (processes), not a tree. A process
belongs to the tree when it descends from the program or carries the run's token in its
environment, so one that left session and parent is found too. This guards against accidents, not
against malice.
"""

from __future__ import annotations

import os
import signal
import subprocess
import threading
import time
import uuid
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from .channel import Channel

TOKEN = "STACKTRUTH_RUN"
#: Time between two looks: a share of the time that the program has run, within bounds, s.
_POLL_SHARE = 0.25
_POLL_S = (0.003, 0.05)
_GRACE_S = 0.5
_DISK_POLL_S = 0.5
_PAGE = os.sysconf("SC_PAGE_SIZE")


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What one run may take.

    Parameters
    ----------
    time_s : float
        Wall time, s.
    memory_mb : float, optional
        Resident memory of the whole tree, MB (1e6 bytes).
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
    """

    returncode: int
    overrun: str
    seconds: float
    peak_mb: float
    stdout: str
    stderr: str


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
    token = uuid.uuid4().hex
    channel = channel or Channel()
    channel.open()
    process = subprocess.Popen(  # the tree is ended in the finally clause below
        list(argv),
        cwd=cwd,
        env={**env, TOKEN: token, **channel.environment},
        pass_fds=channel.descriptors,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )
    channel.serve()
    tree = ProcessTree(process.pid, token)
    tails = [_Tail(stream, int(limits.log_kb * 1000)) for stream in _streams(process)]
    try:
        overrun, peak_mb = _watch(process, tree, tails, cwd, limits=limits, channel=channel)
        seconds = channel.seconds()
        if overrun:
            tree.terminate(process, grace_s=_GRACE_S)
    finally:
        tree.kill(process)
        channel.close()
    stdout, stderr = (tail.text() for tail in tails)
    return Ended(
        returncode=process.wait(),
        overrun=overrun,
        seconds=seconds,
        peak_mb=peak_mb,
        stdout=stdout,
        stderr=stderr,
    )


def _streams(process: subprocess.Popen[bytes]) -> list[IO[bytes]]:
    return [stream for stream in (process.stdout, process.stderr) if stream is not None]


def _watch(
    process: subprocess.Popen[bytes],
    tree: ProcessTree,
    tails: Sequence[_Tail],
    cwd: Path,
    *,
    limits: Limits,
    channel: Channel,
) -> tuple[str, float]:
    """Poll until the program ends or breaks a limit; return the limit broken and the peak."""
    started = disk_checked = time.perf_counter()
    peak_mb, disk_mb = 0.0, 0.0
    while True:
        # A quick program is looked at often, or its memory would never be seen.
        age = time.perf_counter() - started
        ended = _ended_within(process, min(max(_POLL_SHARE * age, _POLL_S[0]), _POLL_S[1]))
        members = tree.members()
        peak_mb = max(peak_mb, tree.resident_mb(members))
        channel.let_end()
        now = time.perf_counter()
        if ended:
            return "", peak_mb
        if now - disk_checked > _DISK_POLL_S:
            disk_checked, disk_mb = now, folder_mb(cwd)
        disk_used_mb = disk_mb + sum(tail.seen for tail in tails) / 1e6
        for name, value, limit in (
            ("time", channel.seconds(), limits.time_s),
            ("memory", peak_mb, limits.memory_mb),
            ("processes", len(members), limits.processes),
            ("disk", disk_used_mb, limits.disk_mb),
        ):
            if limit is not None and value > limit:
                return name, peak_mb


def _ended_within(process: subprocess.Popen[bytes], seconds: float) -> bool:
    try:
        process.wait(seconds)
    except subprocess.TimeoutExpired:
        return False
    return True


def folder_mb(folder: Path) -> float:
    """Return the size of all regular files below a folder, MB; links are not followed."""
    total = 0
    for root, _, names in os.walk(folder):
        for name in names:
            with suppress(OSError):
                total += os.lstat(os.path.join(root, name)).st_size
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

    def text(self) -> str:
        self._thread.join(1.0)
        cut = "[...]\n" if self.seen > self._size else ""
        return cut + bytes(self._kept).decode("utf-8", "replace")


@dataclass
class ProcessTree:
    """The processes of one run, read from /proc.

    Parameters
    ----------
    root : int
        Process id of the program.
    token : str
        Value of the environment variable that marks the run.
    """

    root: int
    token: str
    _known: dict[tuple[int, int], bool] = field(default_factory=dict)

    def members(self) -> list[int]:
        """Return the ids of the processes that are alive."""
        table = _process_table()
        for pid, entry in table.items():
            if (pid, entry.started) not in self._known:
                own = entry.session == self.root or self._carries_token(pid)
                self._known[pid, entry.started] = own
        ours = {pid for pid, entry in table.items() if self._known[pid, entry.started]}
        grown = True
        while grown:
            below = {pid for pid, entry in table.items() if entry.parent in ours} - ours
            ours |= below
            grown = bool(below)
        self._known.update({(pid, table[pid].started): True for pid in ours})
        return sorted(ours)

    def _carries_token(self, pid: int) -> bool:
        try:
            environ = Path(f"/proc/{pid}/environ").read_bytes()
        except OSError:
            return False
        return f"{TOKEN}={self.token}".encode() in environ.split(b"\0")

    @staticmethod
    def resident_mb(members: Sequence[int]) -> float:
        """Return the memory of the given processes, MB.

        Pages that several processes share count once where the kernel tells (proportional
        set size), else once per process. No less than the largest size that one of them has
        had, so a short peak between two looks is not missed.
        """
        largest = max((_largest_bytes(pid) for pid in members), default=0)
        together = sum(map(_proportional_bytes, members)) if len(members) > 1 else 0
        return max(largest, together) / 1e6

    def terminate(self, process: subprocess.Popen[bytes], *, grace_s: float) -> None:
        """Ask every process to end, and wait a little for it."""
        for pid in self.members():
            _send(pid, signal.SIGTERM)
        until = time.perf_counter() + grace_s
        while self.members() and time.perf_counter() < until:
            _ended_within(process, 0.02)

    def kill(self, process: subprocess.Popen[bytes]) -> None:
        """End every process: stop all first so that none can start another, then kill."""
        until = time.perf_counter() + 5.0
        while (members := self.members()) and time.perf_counter() < until:
            for pid in members:
                _send(pid, signal.SIGSTOP)
            for pid in self.members():
                _send(pid, signal.SIGKILL)
            _ended_within(process, 0.005)
        process.wait()


def _send(pid: int, number: signal.Signals) -> None:
    with suppress(ProcessLookupError, PermissionError):
        os.kill(pid, number)


@dataclass(frozen=True, slots=True)
class _Entry:
    parent: int
    session: int
    started: int


def _process_table() -> dict[int, _Entry]:
    """Return parent, session and start of every process that is not dead, by its id."""
    table = {}
    for name in os.listdir("/proc"):
        if name.isdigit():
            with suppress(OSError):
                fields = _stat(name)
                if fields[0] not in (b"Z", b"X"):
                    table[int(name)] = _Entry(int(fields[1]), int(fields[3]), int(fields[19]))
    return table


def _stat(name: str) -> list[bytes]:
    """Return the fields of a process's stat file, from its state on.

    Read many times a second of all processes, so without a file object, which takes twice as long.
    """
    handle = os.open(f"/proc/{name}/stat", os.O_RDONLY)
    try:
        return os.read(handle, 4096).rpartition(b")")[2].split(None, 20)
    finally:
        os.close(handle)


def _largest_bytes(pid: int) -> int:
    """Return the largest resident size this process has had so far."""
    with suppress(OSError), open(f"/proc/{pid}/status", "rb") as status:
        for line in status:
            if line.startswith(b"VmHWM:"):
                return int(line.split()[1]) * 1024
    return 0


def _proportional_bytes(pid: int) -> int:
    with suppress(OSError), open(f"/proc/{pid}/smaps_rollup", "rb") as rollup:
        for line in rollup:
            if line.startswith(b"Pss:"):
                return int(line.split()[1]) * 1024
    with suppress(OSError), open(f"/proc/{pid}/statm", "rb") as statm:
        return int(statm.read().split()[1]) * _PAGE
    return 0
