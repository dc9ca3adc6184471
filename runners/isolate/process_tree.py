"""The processes of one run, read from /proc: which they are, what they take, how they are ended."""

from __future__ import annotations

import os
import signal
import stat
import subprocess
import time
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from ...ground.process_stat import STARTED, stat_fields

TOKEN = "STACKTRUTH_RUN"
# How long it may take until all processes of a run are stopped, s.
_STOPPING_S = 2.0
_PAGE = os.sysconf("SC_PAGE_SIZE")
# To ask for what processes share, each must hold still for a moment: too long for many that fork.
_FEW = 16
_TICKS_PER_S = os.sysconf("SC_CLK_TCK")
# Numbers of kill, tkill and tgkill, by the machine (Linux, unistd.h).
_SIGNALLING = {"x86_64": ("62", "200", "234"), "aarch64": ("129", "130", "131")}.get(
    os.uname().machine, ()
)


def ended_within(process: subprocess.Popen[bytes], seconds: float) -> bool:
    """Wait for a process for a while; tell whether it has ended."""
    try:
        process.wait(seconds)
    except subprocess.TimeoutExpired:
        return False
    return True


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
        measure = _proportional_bytes if len(members) <= _FEW else _own_bytes
        together = sum(map(measure, members)) if len(members) > 1 else 0
        return max(largest, together) / 1e6

    def cpu_s(self, members: Sequence[int]) -> float:
        """Return the processor time that the given processes have taken, s."""
        return sum(entry.cpu_s for entry in _entries(members))

    def all_stopped(self, members: Sequence[int]) -> bool:
        """Tell whether each process of the run has been stopped by someone else.

        One that sent itself the signal is seen by the system call that it is held in. What only
        stands by for the run's own processes is not looked at.
        """
        if not any(entry.state == b"T" for entry in _entries(members)):
            return False
        working = [pid for pid in members if not self._stands_by(pid)]
        entries = list(_entries(working))
        if not entries or any(entry.state != b"T" for entry in entries):
            return False
        return not any(map(_stopped_itself, working))

    def _stands_by(self, pid: int) -> bool:
        with suppress(OSError):
            words = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
            if any(word.endswith(b"enclose.py") for word in words):
                return True  # stopped or not: a method may have stopped it, and ended
            return pid == self.root and len(words) > 1 and _entry(pid).state != b"T"
        return False

    def stop(self) -> None:
        """Stop every process, also those that are started meanwhile."""
        until = time.perf_counter() + _STOPPING_S
        while time.perf_counter() < until:
            members = self.members()
            if all(entry.state == b"T" for entry in _entries(members)):
                return
            for pid in members:
                _send(pid, signal.SIGSTOP)
            time.sleep(0.001)

    def resume(self) -> None:
        """Let every process that was stopped go on."""
        for pid in self.members():
            _send(pid, signal.SIGCONT)

    def forget_peaks(self) -> None:
        """Let the largest size of each process count anew (Linux 4.0; proc(5), clear_refs)."""
        for pid in self.members():
            with suppress(OSError):
                Path(f"/proc/{pid}/clear_refs").write_text("5")

    def terminate(self, process: subprocess.Popen[bytes], *, grace_s: float) -> None:
        """Ask every process to end, and wait a little for it."""
        for pid in self.members():
            _send(pid, signal.SIGTERM)
        until = time.perf_counter() + grace_s
        while self.members() and time.perf_counter() < until:
            ended_within(process, 0.02)

    def kill(self, process: subprocess.Popen[bytes]) -> None:
        """End every process: stop all first so that none can start another, then kill.

        With the first of them ends its namespace, if it has one, and all in it at once.
        """
        _send(self.root, signal.SIGKILL)
        ended_within(process, 0.05)
        until = time.perf_counter() + 5.0
        while (members := self.members()) and time.perf_counter() < until:
            for pid in members:
                _send(pid, signal.SIGSTOP)
            for pid in self.members():
                _send(pid, signal.SIGKILL)
            ended_within(process, 0.005)
        process.wait()


def _send(pid: int, number: signal.Signals) -> None:
    with suppress(ProcessLookupError, PermissionError):
        os.kill(pid, number)


@dataclass(frozen=True, slots=True)
class _Entry:
    parent: int
    session: int
    started: int
    state: bytes
    cpu_s: float


def _entry(pid: int | str) -> _Entry:
    fields = stat_fields(pid)
    return _Entry(
        parent=int(fields[1]),
        session=int(fields[3]),
        started=int(fields[STARTED]),
        state=fields[0],
        cpu_s=(int(fields[11]) + int(fields[12])) / _TICKS_PER_S,
    )


def _entries(pids: Sequence[int]) -> Iterator[_Entry]:
    for pid in pids:
        with suppress(OSError, IndexError):
            yield _entry(pid)


def _stopped_itself(pid: int) -> bool:
    with suppress(OSError):
        return Path(f"/proc/{pid}/syscall").read_text().split(" ", 1)[0] in _SIGNALLING
    return False


def _process_table() -> dict[int, _Entry]:
    """Return parent, session and start of every process that is not dead, by its id."""
    table = {}
    for name in os.listdir("/proc"):
        if name.isdigit():
            with suppress(OSError):
                entry = _entry(name)
                if entry.state not in (b"Z", b"X"):
                    table[int(name)] = entry
    return table


def _largest_bytes(pid: int) -> int:
    """Return the largest resident size this process has had so far."""
    with suppress(OSError), open(f"/proc/{pid}/status", "rb") as status:
        for line in status:
            if line.startswith(b"VmHWM:"):
                return int(line.split()[1]) * 1024
    return 0


def _own_bytes(pid: int) -> int:
    """Return the resident memory of a process without what files and others share with it."""
    with suppress(OSError, IndexError), open(f"/proc/{pid}/statm", "rb") as statm:
        _, resident, shared, *_ = statm.read().split()
        return (int(resident) - int(shared)) * _PAGE
    return 0


def _proportional_bytes(pid: int) -> int:
    with suppress(OSError), open(f"/proc/{pid}/smaps_rollup", "rb") as rollup:
        for line in rollup:
            if line.startswith(b"Pss:"):
                return int(line.split()[1]) * 1024
    with suppress(OSError), open(f"/proc/{pid}/statm", "rb") as statm:
        return int(statm.read().split()[1]) * _PAGE
    return 0


def unnamed_mb(members: Sequence[int]) -> tuple[float, float]:
    """Return the size of open files without a name: those in memory, those on a disk; MB.

    No walk through folders finds them, nor does any process's resident memory hold them.
    """
    sizes: dict[tuple[int, int], tuple[bool, int]] = {}
    for pid in members:
        with suppress(OSError):
            for entry in os.scandir(f"/proc/{pid}/fd"):
                with suppress(OSError):
                    found = os.stat(entry.path)
                    if found.st_nlink == 0 and stat.S_ISREG(found.st_mode):
                        in_memory = os.readlink(entry.path).startswith(("/memfd:", "/dev/shm/"))
                        size = found.st_blocks * 512
                        sizes[found.st_dev, found.st_ino] = in_memory, size
    memory = sum(size for in_memory, size in sizes.values() if in_memory)
    disk = sum(size for in_memory, size in sizes.values() if not in_memory)
    return memory / 1e6, disk / 1e6


def shared_mb(members: Sequence[int]) -> float:
    """Return what the run's own shared memory holds, MB; 0 where it has none of its own."""
    with suppress(OSError):
        ours = os.stat("/dev/shm").st_dev
        for pid in reversed(members):  # the first ones have not yet entered the namespace
            place = f"/proc/{pid}/root/dev/shm"
            if os.stat(place).st_dev != ours:
                found = os.statvfs(place)
                return (found.f_blocks - found.f_bfree) * found.f_frsize / 1e6
    return 0.0


def machine_mb() -> float | None:
    """Return the memory that this machine can give at the moment, MB; None where it is unknown."""
    rooms = []
    with suppress(OSError, ValueError), open("/proc/meminfo", "rb") as told:
        rooms += [int(line.split()[1]) * 1024 / 1e6 for line in told if b"MemAvailable" in line]
    for name in ("memory.max", "memory/memory.limit_in_bytes"):  # of a container, v2 and v1
        with suppress(OSError, ValueError):
            rooms.append(int(Path("/sys/fs/cgroup", name).read_text()) / 1e6)
    return min(rooms, default=None)
