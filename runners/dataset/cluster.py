"""The stacks of a data set made by the workers of a dask cluster."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial

from threadpoolctl import threadpool_limits

from ...simulator.stack.manifest import versions
from ..request import RequestError, StoppedError
from .index import StackFacts
from .make import Work

_CONNECT_S = 10.0
#: What every machine must have alike, for the stacks to be the same.
_ALIKE = ("code", "numpy", "scipy", "scikit-image", "imagecodecs", "tifffile")

Keep = Callable[[int], StackFacts]


@contextmanager
def on_cluster(address: str) -> Iterator[Work]:
    """Give what does the stacks on a cluster; its workers must see the folder at its own path.

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
            "--cluster: got a Python without dask.distributed, allowed one that has it\n"
            "pip install 'stacktruth[cluster]'"
        ) from error
    try:
        client = Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise RequestError(
            f"--cluster: got {address!r}, allowed the address of a scheduler that answers: {error}"
        ) from error
    with client:
        if not client.nthreads():
            raise RequestError(f"--cluster: got no worker at {address}, allowed one or more")
        yield partial(_there, client)


def _there(client: object, keep: Keep, numbers: Sequence[int]) -> Iterator[StackFacts]:
    """Send all numbers to the cluster; yield what comes of them, in their order."""
    from distributed import Client, KilledWorker  # noqa: PLC0415

    assert isinstance(client, Client)
    job = partial(_kept, keep, {name: versions()[name] for name in _ALIKE})
    futures = client.map(job, numbers, pure=False)
    try:
        yield from (future.result() for future in futures)
    except KilledWorker as error:
        raise StoppedError(
            "workers of the cluster died under a stack; what is done is kept, the same command "
            "goes on with it"
        ) from error
    finally:
        client.cancel(futures)


def _kept(keep: Keep, alike: Mapping[str, str], number: int) -> StackFacts:
    """Make a stack on a worker that has what the run was started with."""
    here = versions()
    others = [f"{name} {here[name]} for {at}" for name, at in alike.items() if here[name] != at]
    if others:
        raise StoppedError(
            f"{socket.gethostname()} has not what the run was started with: {', '.join(others)}"
        )
    with threadpool_limits(1):
        return keep(number)
