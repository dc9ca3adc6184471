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
_FAMILIES_ACROSS = 6
_GAP_PX = 3
_JPEG_QUALITY = 80
#: Of the measured window as much is shown at 1:1, about its middle: width and height.
_CLOSE_TILE_PX = (300, 200)


def families_sheets(
    families: Sequence[str],
    folder: Path,
    *,
    draws: int = 8,
    width_px: int = 768,
    tile_px: int = 192,
    workers: int = 1,
    progress: bool = False,
) -> pd.DataFrame:
    """Draw a contact sheet of each family, and measure its draws.

    Parameters
    ----------
    families : sequence of str
    folder : Path
        Gets ``FAMILY.jpg``, the whole pictures: the left half of a tile is all in focus, the right
        half one frame; and ``FAMILY-close.jpg``, the middle of the measured windows at 1:1, all in
        focus.
    draws : int
        Of each family, seeds 1 to this number; at least 2.
    width_px : int
        Of the whole pictures that are measured, at least.
    tile_px : int
        Width of a tile of the whole.
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
            whole = [[_small(part, tile_px) for part in (one.sharp, one.frame)] for one in held]
            _sheet([side_to_side(*pair) for pair in whole], folder / f"{family}.jpg")
            _sheet([_middle(one.close) for one in held], folder / f"{family}-close.jpg")
            rows += _rows(family, held)
            held = []
    return pd.DataFrame(rows)


def one_of_each(families: Sequence[str], folder: Path, *, draw: int = 3) -> None:
    """Lay the same draw of each family side by side, from sheets that are there.

    Parameters
    ----------
    families : sequence of str
    folder : Path
        Holds ``FAMILY.jpg`` of `families_sheets`; gets ``draws.jpg``.
    draw : int
        Which, 1 for the first.
    """
    tiles = [_tile(folder / f"{name}.jpg", draw - 1) for name in families]
    _sheet(tiles, folder / "draws.jpg", across=_FAMILIES_ACROSS)


def _tile(path: Path, number: int) -> Floats:
    """Return a tile of a sheet of two lines."""
    sheet = np.asarray(Image.open(path), np.float32) / np.float32(255)
    rows, cols = (sheet.shape[0] + _GAP_PX) // 2, (sheet.shape[1] + _GAP_PX) // _ACROSS
    top, left = number // _ACROSS * rows, number % _ACROSS * cols
    return sheet[top : top + rows - _GAP_PX, left : left + cols - _GAP_PX]


def _look(asked: tuple[str, int]) -> Look:
    name, width_px = asked
    return look_at(name, width_px=width_px)


def _rows(family: str, looks: Sequence[Look]) -> list[dict[str, object]]:
    apart = nearest_distances([one.sharp for one in looks])
    return [
        {"family": family, "seed": int(one.name.partition(":")[2]), **one.figures, "apart": away}
        for one, away in zip(looks, apart, strict=True)
    ]


def _small(picture: Floats, width_px: int) -> Floats:
    """Return a picture brought to a width by means over pixels."""
    rows, cols = picture.shape[:2]
    size = (width_px, max(1, round(rows * width_px / cols)))
    channels = [
        Image.fromarray(np.ascontiguousarray(picture[..., k])).resize(size, Image.Resampling.BOX)
        for k in range(3)
    ]
    return np.stack([np.asarray(one, np.float32) for one in channels], axis=2)


def _middle(picture: Floats) -> Floats:
    rows, cols = picture.shape[:2]
    width, height = (
        min(part, have) for part, have in zip(_CLOSE_TILE_PX, (cols, rows), strict=True)
    )
    top, left = (rows - height) // 2, (cols - width) // 2
    return picture[top : top + height, left : left + width]


def _sheet(tiles: Sequence[Floats], path: Path, *, across: int = _ACROSS) -> None:
    """Write tiles of equal size to one JPEG."""
    rows, cols = tiles[0].shape[:2]
    lines = -(-len(tiles) // across)
    step = (rows + _GAP_PX, cols + _GAP_PX)
    sheet = np.full((lines * step[0] - _GAP_PX, across * step[1] - _GAP_PX, 3), 255, np.uint8)
    for number, tile in enumerate(tiles):
        row, col = number // across * step[0], number % across * step[1]
        sheet[row : row + rows, col : col + cols] = np.rint(255 * np.clip(tile, 0, 1))
    Image.fromarray(sheet).save(path, quality=_JPEG_QUALITY, optimize=True)
