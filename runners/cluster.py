"""The workers of a dask cluster, and whether they have what a run was started with."""

from __future__ import annotations

import socket
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any

from ..simulator.stack.manifest import versions
from .request import RequestError, StoppedError

_CONNECT_S = 10.0


@contextmanager
def connected(address: str) -> Iterator[Any]:
    """Give a ``distributed.Client`` of a scheduler that has a worker.

    Parameters
    ----------
    address : str
        Of the scheduler.

    Raises
    ------
    RequestError
        dask.distributed is not installed, nothing answers at the address, or no worker is there.
    """
    try:
        from distributed import Client  # noqa: PLC0415 - an extra, and slow
    except ImportError as error:
        raise RequestError(
            "--cluster needs dask.distributed: got a Python without it, allowed one that has it\n"
            "pip install 'stacktruth[cluster]'"
        ) from error
    try:
        client = Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise RequestError(
            f"--cluster: got {address!r}, allowed the address of a scheduler that answers, "
            f"such as tcp://10.0.0.1:8786: {error}"
        ) from error
    with client:
        if not client.nthreads():
            raise RequestError(f"--cluster: got no worker at {address}, allowed one or more")
        yield client


def other_versions(wanted: Iterable[tuple[str, str]]) -> list[str]:
    """Return what here differs from versions (name, version), a text for each."""
    here = versions()
    return [f"{name} {here.get(name)} for {one}" for name, one in wanted if here.get(name) != one]


def refuse_others(others: list[str]) -> None:
    """Refuse work on a machine that differs from where it was started.

    Raises
    ------
    StoppedError
    """
    if others:
        raise StoppedError(
            f"{socket.gethostname()} has not what the run was started with: {', '.join(others)}"
        )
