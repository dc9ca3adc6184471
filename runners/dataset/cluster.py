"""The stacks of a data set made by the workers of a dask cluster."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from typing import Any

from threadpoolctl import threadpool_limits

from ...simulator.stack.manifest import versions
from ..cluster import connected, other_versions, refuse_others
from ..request import StoppedError
from .index import StackFacts
from .make import Work

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
    with connected(address) as client:
        yield partial(_there, client)


def _there(client: Any, keep: Keep, numbers: Sequence[int]) -> Iterator[StackFacts]:
    """Send all numbers to the cluster; yield what comes of them, in their order."""
    from distributed import KilledWorker  # noqa: PLC0415 - an extra, and slow

    here = versions()
    job = partial(_kept, keep, [(name, here[name]) for name in _ALIKE])
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


def _kept(keep: Keep, alike: Sequence[tuple[str, str]], number: int) -> StackFacts:
    """Make a stack on a worker that has what the run was started with."""
    refuse_others(other_versions(alike))
    with threadpool_limits(1):
        return keep(number)
