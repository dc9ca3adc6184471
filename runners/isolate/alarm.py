"""Ends a call of our own that takes too long, in this process."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NoReturn


class TimeIsUpError(BaseException):
    """A call took longer than it may; no error, so that who catches those of files lets it pass."""


@contextmanager
def ended_after(seconds: float | None) -> Iterator[None]:
    """Raise `TimeIsUpError` in this block once it has taken longer.

    Parameters
    ----------
    seconds : float or None
        None: it may take any time. So it may where no signal can be had: outside the main thread,
        or where an alarm of someone else is running.
    """
    main = threading.current_thread() is threading.main_thread()
    if seconds is None or not main or signal.getitimer(signal.ITIMER_REAL)[0]:
        yield
        return
    before = signal.signal(signal.SIGALRM, _stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def _stop(number: int, frame: object) -> NoReturn:
    raise TimeIsUpError("the time allowed is over")
