"""Random streams with names: another effect, frame or worker changes no other draw."""

from __future__ import annotations

from hashlib import blake2b
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


def share(root: int, scene: str, effect: str) -> float:
    """Return one number, 0 to below 1, of a name: for many names that ask for one draw each.

    It is the first 53 bits of a hash (BLAKE2b, RFC 7693) of root, scene and effect, so it depends
    on no version of a library.

    Parameters
    ----------
    root : int
        The user's seed, >= 0.
    scene, effect : str
        Names of the axes; any text.
    """
    if root < 0:
        raise ValueError(f"seed must be >= 0, got {root}")
    name = b"\0".join([str(root).encode(), scene.encode(), effect.encode()])
    return (int.from_bytes(blake2b(name, digest_size=8).digest(), "big") >> 11) * 2.0**-53
