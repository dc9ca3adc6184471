"""Work on rows of larger arrays where they lie."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np

#: Elements that NumPy copies to a buffer at once.
_BUFFERED = 1024


@contextmanager
def in_place() -> Iterator[None]:
    """Let NumPy work on the rows of parts of arrays without copying them first.

    It joins short rows in buffers of 8192 elements, so that it begins less often; but beginning
    anew for each row of some hundred pixels takes less time than the copies. What is worked out
    element by element does not depend on it; sums along rows might, and have no place here.
    """
    with np.errstate():  # ends the setting, which holds in this thread alone
        np.setbufsize(_BUFFERED)
        yield
