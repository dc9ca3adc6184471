"""Pictures of what families draw, and figures of how near to photographs that is."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from PIL import Image
from tqdm import tqdm

from ...ground.types import Floats
from ...simulator.steps import side_by_side
from .gallery import side_to_side
from .natural import Look, look_at, nearest_distances

_ACROSS = 4
_GAP_PX = 3
_JPEG_QUALITY = 86


def families_sheets(
    families: Sequence[str],
    folder: Path,
    *,
    draws: int = 8,
    width_px: int = 192,
    workers: int = 1,
    progress: bool = False,
) -> pd.DataFrame:
    """Draw a contact sheet of each family, and measure its draws.

    Parameters
    ----------
    families : sequence of str
    folder : Path
        Gets ``FAMILY.jpg``; the left half of a tile is all in focus, the right half one frame.
    draws : int
        Of each family, seeds 1 to this number; at least 2.
    width_px : int
        Of a tile, about.
    workers : int
        Processes; their number changes no pixel.
    progress : bool
        Whether to draw a progress bar on stderr.

    Returns
    -------
    DataFrame
        One row for each draw: family, seed, the columns of `natural.COLUMNS`, and the distance
        to the draw of its family that is most like it.
    """
    asked = [(f"{name}:{seed}", width_px) for name in families for seed in range(1, draws + 1)]
    made = side_by_side(_look, asked, workers=workers)
    bar = tqdm(made, total=len(asked), desc="draws", unit="scene", disable=not progress)
    rows, held = [], []
    for look in bar:
        held.append(look)
        if len(held) == draws:
            family = look.name.partition(":")[0]
            _sheet([side_to_side(one.sharp, one.frame) for one in held], folder / f"{family}.jpg")
            rows += _rows(family, held)
            held = []
    return pd.DataFrame(rows)


def _look(asked: tuple[str, int]) -> Look:
    name, width_px = asked
    return look_at(name, width_px=width_px)


def _rows(family: str, looks: Sequence[Look]) -> list[dict[str, object]]:
    apart = nearest_distances([one.sharp for one in looks])
    return [
        {"family": family, "seed": int(one.name.partition(":")[2]), **one.figures, "apart": away}
        for one, away in zip(looks, apart, strict=True)
    ]


def _sheet(tiles: Sequence[Floats], path: Path) -> None:
    """Write tiles of equal size to one JPEG."""
    rows, cols = tiles[0].shape[:2]
    lines = -(-len(tiles) // _ACROSS)
    step = (rows + _GAP_PX, cols + _GAP_PX)
    sheet = np.full((lines * step[0] - _GAP_PX, _ACROSS * step[1] - _GAP_PX, 3), 255, np.uint8)
    for number, tile in enumerate(tiles):
        row, col = number // _ACROSS * step[0], number % _ACROSS * step[1]
        sheet[row : row + rows, col : col + cols] = np.rint(255 * np.clip(tile, 0, 1))
    Image.fromarray(sheet).save(path, quality=_JPEG_QUALITY, optimize=True)
