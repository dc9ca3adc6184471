"""Tables that take long to make: each is made once a process, or once for all that share a shelf.

A table is told by what it is asked for alone, so it is the same whoever made it.
"""

from __future__ import annotations

import pickle
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from functools import lru_cache, wraps
from io import BytesIO
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import numpy as np
import numpy.typing as npt

from ..ground.atomic import write_whole
from ..ground.checksum import sha256

Asked = ParamSpec("Asked")
Made = TypeVar("Made")

_shelf: ContextVar[Path | None] = ContextVar("shelf", default=None)


@contextmanager
def shelf_at(folder: Path) -> Iterator[None]:
    """Have tables that are made meanwhile laid in a folder, and those that lie there taken.

    Parameters
    ----------
    folder : Path
        One that other processes of the same code may use at the same time; it exists.
    """
    before = _shelf.set(folder)
    try:
        yield
    finally:
        _shelf.reset(before)


def share_tables(folder: Path) -> None:
    """Have all tables that this process makes from now on laid in a folder, and taken from there.

    Parameters
    ----------
    folder : Path
        Made where it is not there; as for `shelf_at`. Where it cannot be made, or written to, the
        process makes its own tables.
    """
    with suppress(OSError):
        folder.mkdir(exist_ok=True)
    _shelf.set(folder)


def table(*, most: int) -> Callable[[Callable[Asked, Made]], Callable[Asked, Made]]:
    """Return what makes a function keep what it made, for itself and on the shelf if there is one.

    Parameters
    ----------
    most : int
        So many of the last are kept in the process.
    """

    def kept(make: Callable[Asked, Made]) -> Callable[Asked, Made]:
        @lru_cache(maxsize=most)
        @wraps(make)
        def found(*asked: Asked.args, **more: Asked.kwargs) -> Made:
            shelf = _shelf.get()
            if shelf is None:
                return make(*asked, **more)
            named = (make.__module__, make.__qualname__, asked, more)
            return _from(shelf / sha256(pickle.dumps(named)), lambda: make(*asked, **more))

        return found  # type: ignore[return-value]

    return kept


def _from(path: Path, make: Callable[[], Made]) -> Made:
    """Return what lies at a path, or make it and lay it there."""
    try:
        made: Made = pickle.loads(path.read_bytes())  # a process of ours laid it there
    except OSError:
        made = make()
        with suppress(pickle.PicklingError, OSError):  # on a full disk each makes its own
            data = BytesIO()
            _AsItLies(data, protocol=5).dump(made)
            # Whole, for others look for it at any time; it need not outlast the processes.
            write_whole(path, data.getbuffer(), sync=False)
    return made


class _AsItLies(pickle.Pickler):
    """Pickles arrays so that they come back with their axes in the same order in memory.

    In another order sums over them would be rounded differently.
    """

    def reducer_override(self, one: Any) -> Any:
        """Return how an array is made again; leave all else to the pickler."""
        if not isinstance(one, np.ndarray) or one.flags.c_contiguous or one.flags.f_contiguous:
            return NotImplemented
        order = np.argsort([-stride for stride in one.strides], kind="stable")
        straight = one.transpose(order)
        if not straight.flags.c_contiguous:
            raise pickle.PicklingError("a part of a larger array")
        return _turned, (straight, tuple(np.argsort(order).tolist()))


def _turned(straight: npt.NDArray[Any], axes: tuple[int, ...]) -> npt.NDArray[Any]:
    return straight.transpose(axes)
