"""Numeric libraries held to one thread a process, where several processes share the cores."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

#: Environment in which numeric libraries use one thread each.
ONE_THREAD = dict.fromkeys(
    (
        "OMP_NUM_THREADS",
        "OPENBLAS_NUM_THREADS",
        "MKL_NUM_THREADS",
        "NUMEXPR_NUM_THREADS",
        "VECLIB_MAXIMUM_THREADS",
        "NUMBA_NUM_THREADS",
    ),
    "1",
)


@contextmanager
def one_thread_each() -> Iterator[None]:
    """Have numeric libraries use one thread in each process that is started meanwhile.

    More would not only crowd the cores: sums that are shared out among threads are rounded in
    another order, so bytes would depend on how many there are.
    """
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(ONE_THREAD)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
