"""The line between a run and whoever started it: what the run waits for, and whose clock counts.

The run says that it is ready, is then given its work, and only now its time counts. So it gains
nothing by being late to say so: before, it has nothing to work on. When it is about to end it may
say that, too, and wait until its memory was looked at. That wait does not count; a run that asks
for it early gains one look, which is a twentieth of a second at most.

A run that stays for more work does not end then, but rests until it is told its next work.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress

from .enclose import CHANNEL


class Channel:
    """The starter's end of the line to one run.

    Parameters
    ----------
    begin : callable or None
        Called when the run is ready; returns what it is then told. None: the run says nothing,
        and its time counts from its start.
    stays : bool
        Whether the run stays for more work after its first.

    Attributes
    ----------
    by_itself : bool
        Whether the run told that it asks for a signal that ends itself.
    rests : bool
        Whether the run has done its work, its memory was looked at, and it waits for more.
    """

    def __init__(self, begin: Callable[[], bytes] | None = None, *, stays: bool = False) -> None:
        self._begin, self._stays = begin, stays
        self._own: socket.socket | None = None
        self._theirs: socket.socket | None = None
        self._since = time.perf_counter()
        self._waits_since: float | None = None
        self._left_out_s = 0.0
        self.by_itself = self.rests = False
        self._thread = threading.Thread(target=self._serve, daemon=True)

    @property
    def environment(self) -> dict[str, str]:
        """What the run must have in its environment."""
        return {} if self._theirs is None else {CHANNEL: str(self._theirs.fileno())}

    @property
    def descriptors(self) -> tuple[int, ...]:
        """Open files that the run must inherit."""
        return () if self._theirs is None else (self._theirs.fileno(),)

    def open(self) -> None:
        """Make the line, before the run is started."""
        self._since = time.perf_counter()
        if self._begin is not None:
            self._own, self._theirs = socket.socketpair()

    def serve(self) -> None:
        """Listen, once the run is started."""
        if self._theirs is not None:
            self._theirs.close()
            self._thread.start()

    def seconds(self) -> float:
        """Return the run's time until now, s."""
        return time.perf_counter() - self._since - self._left_out_s

    def leave_out(self, seconds: float) -> None:
        """Let some time not count, because the run could not use it."""
        self._left_out_s += seconds

    def let_end(self) -> None:
        """Let a run end that waits for it, now that its memory was looked at."""
        if self._waits_since is not None and self._own is not None:
            self._left_out_s += time.perf_counter() - self._waits_since
            self._waits_since = None
            self.rests = self._stays
            if not self._stays:
                self.tell(b"e")

    def again(self) -> None:
        """Count the time of a run that rests from now, for its next work."""
        self._waits_since, self._left_out_s = None, 0.0
        self.by_itself = self.rests = False
        self._since = time.perf_counter()

    def tell(self, message: bytes) -> None:
        """Tell the run something; one that is gone does not hear it."""
        if self._own is not None:
            with suppress(OSError):
                self._own.sendall(message)

    def close(self) -> None:
        """Give the line up, when the run has ended."""
        if self._own is not None:
            with suppress(OSError):
                self._own.shutdown(socket.SHUT_RDWR)
            self._thread.join(5.0)
            self._own.close()

    def _serve(self) -> None:
        own, begin = self._own, self._begin
        if own is None or begin is None:
            return
        try:
            if not own.recv(1):
                return
            message = begin()
            self._since = time.perf_counter()
            own.sendall(message)
            while said := own.recv(1):
                if said == b"k":
                    self.by_itself = True
                elif self._waits_since is None:
                    self._waits_since = time.perf_counter()
        except OSError:  # the run has gone, or has no frames to work on: it sees the line end
            with suppress(OSError):
                own.shutdown(socket.SHUT_RDWR)
