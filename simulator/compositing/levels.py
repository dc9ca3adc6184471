"""Three levels of a picture's quality: how wrong an edge may be before it is seen through cells."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Level:
    """How good a picture has to be.

    Parameters
    ----------
    name : str
    cuts : tuple of (float, int)
        Light, 1 = saturation, in doubt in a block of a picture's edges from which on the pupil is
        cut there, and into how many cells; 0 cuts it everywhere. Both rise from cut to cut: what
        is in doubt falls in proportion to the cells.
    samples : int
        Samples of a texture per pixel side in focus, over what the lens needs.
    holds_db : (overall, near edges, worst block)
        Peak signal-to-noise ratios, dB, that it has on every case of
        ``results/renderer/cases.csv``, against a path tracer; a block has 16 x 16 pixels.
    """

    name: str
    cuts: tuple[tuple[float, int], ...] = ()
    samples: int = 1
    holds_db: tuple[int, int, int] = (0, 0, 0)

    def before(self, gain: float) -> Level:
        """Return the level to render at where the light is multiplied by a gain afterwards."""
        if gain == 1:
            return self
        return replace(self, cuts=tuple((doubt / gain, cells) for doubt, cells in self.cuts))


LEVELS = {
    level.name: level
    for level in (
        Level("fast", holds_db=(30, 25, 15)),
        Level("true", cuts=((0.02, 5),), holds_db=(36, 35, 24)),
        Level("exact", cuts=((0.003, 5), (0.015, 16)), samples=2, holds_db=(44, 43, 34)),
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
