"""References as files: two pictures as their mean and half their difference.

The mean is linear light in half precision; half the difference is noise, and kept in 8 bits. So
rounding adds an error of some -78 dB at white.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from path_tracer import Reference

_STEPS = 127


def save(path: Path, reference: Reference) -> None:
    """Write a reference; the ending is ``.npz``."""
    half = (reference.first - reference.second) / 2
    step = np.float32(max(float(np.abs(half).max()), 1e-6) / _STEPS)
    np.savez_compressed(
        path,
        mean=reference.mean.astype(np.float16),
        half=np.rint(half / step).astype(np.int8),
        step=step,
        near_edge=np.packbits(reference.near_edge, axis=1),
    )


def load(path: Path) -> Reference:
    """Read a reference."""
    with np.load(path) as held:
        mean = held["mean"].astype(np.float32)
        half = held["half"].astype(np.float32) * held["step"]
        near = np.unpackbits(held["near_edge"], axis=1, count=mean.shape[1]).astype(bool)
    return Reference(mean + half, mean - half, near)
