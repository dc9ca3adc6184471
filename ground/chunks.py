"""How much is worked on at once: what a processor's cache holds, or what a GPU is quick with."""

from __future__ import annotations

from typing import Any

#: Side of a device's tiles, px, where it is not that of the host's.
TILES_PX = {"cuda": 6144}
#: Samples of a part that the host sees faster than the device.
SMALL = {"cuda": 10_000}
#: Samples to work on at once, by the namespace, where more than a cache holds may go together.
AT_ONCE = {"cupy": 1 << 27}
#: Pixels of a picture that take as long as the steps of any picture, where these take long.
BEGINNING_PX = {"cupy": 1 << 20}


def tile_px(own: int, device: str) -> int:
    """Return the side of a device's tiles, px, given that of the host's."""
    return TILES_PX.get(device, own)


def is_small(shape: tuple[int, int], device: str) -> bool:
    """Whether the host sees so many rows and columns of samples faster than a device."""
    return shape[0] * shape[1] <= SMALL.get(device, 0)


def beginning_px(xp: Any) -> int:
    """Return how many pixels more may be drawn to have one picture fewer to draw."""
    return BEGINNING_PX.get(_name(xp), 0)


def at_once(samples: int, xp: Any) -> int:
    """Return how many samples to work on at once, where a processor's cache wants some number."""
    return AT_ONCE.get(_name(xp), samples)


def _name(xp: Any) -> str:
    return str(xp.__name__.rpartition(".")[2])
