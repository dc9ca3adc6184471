"""Which frames are worth keeping: few that together lose nothing that can be measured."""

from __future__ import annotations

import numpy as np

from ...ground.types import Bools, Doubles

#: Share of the sharpest frame's contrast at which a cell loses nothing (our choice): less than
#: the difference of a tenth that is hard to see side by side.
KEEPS = 0.9


def shows_sharp(energy: Doubles, noise: Doubles, counts: Bools, *, share: float = KEEPS) -> Bools:
    """Say which frames show each cell as sharp as any frame that counts, or nearly.

    Parameters
    ----------
    energy, noise : array (frames, cells)
        Of the contrast in the finest band; NaN where a frame does not show the cell.
    counts : array (frames,) of bool
    share : float
        Of the contrast.

    Returns
    -------
    array (frames, cells) of bool
    """
    signal = np.where(counts[:, np.newaxis], np.nan_to_num(energy - noise), 0.0)
    best = signal.max(axis=0)
    return np.asarray((signal >= share**2 * best) & (best > 0))


def frames_to_keep(shown: Bools, worth: Bools) -> Bools:
    """Choose few frames so that each cell is shown sharp by one of them.

    The frame that adds most comes first; then those that others have made needless are dropped.

    Parameters
    ----------
    shown : array (frames, cells) of bool
        From `shows_sharp`.
    worth : array (cells,) of bool
        Cells that count.
    """
    needed = worth & shown.any(axis=0)
    chosen: list[int] = []
    left = needed.copy()
    while left.any():
        best = int((shown & left).sum(axis=1).argmax())
        chosen.append(best)
        left &= ~shown[best]
    for frame in chosen[::-1]:
        others = [one for one in chosen if one != frame]
        if others and (shown[others].any(axis=0) >= needed).all():
            chosen = others
    kept = np.zeros(len(shown), dtype=bool)
    kept[chosen] = True
    return kept
