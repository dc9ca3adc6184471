"""The nearest right word, for the error of a wrong one."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


def nearest(got: str, allowed: Iterable[str]) -> str:
    """Return a question with the allowed word nearest to a wrong one; empty if none is near.

    Parameters
    ----------
    got : str
    allowed : iterable of str

    Examples
    --------
    >>> nearest("picket", ["pickets", "ramp"])
    " (did you mean 'pickets'?)"
    >>> nearest("xyz", ["pickets", "ramp"])
    ''
    """
    found = get_close_matches(got, list(allowed), n=1, cutoff=0.6)
    return f" (did you mean {found[0]!r}?)" if found else ""
