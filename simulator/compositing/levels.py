"""Three levels of a picture's quality: how wrong an edge may be before it is seen through cells."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Level:
    """How good a picture has to be.

    Parameters
    ----------
    name : str
    error : float or None
        Light, 1 = saturation, that may be wrong in a block of a picture's edges before the pupil
        is cut there; 0 cuts it everywhere, None nowhere.
    cells : int
        That it is cut into there.
    samples : int
        Samples of a texture per pixel side in focus, over what the lens needs.
    """

    name: str
    error: float | None = None
    cells: int = 1
    samples: int = 1


LEVELS = {
    level.name: level
    for level in (
        Level("fast"),
        Level("true", error=0.006, cells=5),
        Level("exact", error=0.002, cells=16, samples=2),
    )
}
#: What `render`, data sets and everything that is scored are made at.
DEFAULT = "true"


def level_of(quality: str | Level) -> Level:
    """Return a level by its name.

    Raises
    ------
    ValueError
        An unknown name.
    """
    if isinstance(quality, Level):
        return quality
    if quality not in LEVELS:
        raise ValueError(f"quality: got {quality!r}, allowed {', '.join(LEVELS)}")
    return LEVELS[quality]
