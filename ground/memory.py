"""What a process does with memory that it no longer needs."""

from __future__ import annotations

import ctypes

# Of malloc.h: what the last of the heap may hold before it is given back, and the size from which
# on a block is mapped by itself, which is given back whenever it is freed.
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
_MOST = 2**31 - 1
#: What a C library takes that refuses to keep blocks of any size.
_ALLOWED = 32 << 20


def keep_freed_memory() -> None:
    """Have this process keep the memory that it frees, where the C library lets itself be told so.

    A renderer asks again and again for arrays of megabytes; given back in between, each page has
    to be found and cleared by the kernel anew.
    """
    try:
        tell = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):  # of glibc alone
        return
    # With neither it would map ever smaller blocks by itself, once told what to hold.
    if tell(_MMAP_THRESHOLD, _MOST) or tell(_MMAP_THRESHOLD, _ALLOWED):
        tell(_TRIM_THRESHOLD, _MOST)
