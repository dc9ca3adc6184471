"""Random streams with names: another effect, frame or worker changes no other draw."""

from __future__ import annotations

from zlib import crc32

import numpy as np


def stream(root: int, scene: str, effect: str, frame: int = 0) -> np.random.Generator:
    """Return the generator of one effect in one frame of one scene.

    Parameters
    ----------
    root : int
        The user's seed, >= 0.
    scene, effect : str
        Names of the axes; any text.
    frame : int
        Frame number, >= 0; 0 for effects that span the whole stack.

    Examples
    --------
    >>> first, again = (stream(1, "ramp", "shot", 3).random() for _ in range(2))
    >>> first == again, first == stream(1, "ramp", "shot", 4).random()
    (True, False)
    """
    if root < 0 or frame < 0:
        raise ValueError(f"seed and frame must be >= 0, got seed {root} and frame {frame}")
    return np.random.default_rng([root, crc32(scene.encode()), crc32(effect.encode()), frame])
