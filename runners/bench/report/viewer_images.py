"""Arrays as pictures that stand in a page: bytes of a WebP file behind a ``data:`` address."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence

import matplotlib
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from ....ground.types import Floats
from .viewer_crops import Crop

Pixels = npt.NDArray[np.uint8]

#: Colour where there is nothing to show: grey, which no colour map has.
_NOTHING = (150, 150, 150)
#: Steps of a colour map: finer ones can hardly be seen, and cost room.
STEPS = 128
_WEBP_EFFORT = 4


def pixels_of(image: Floats) -> Pixels:
    """Return a picture (rows, cols, 3), sRGB-encoded 0..1, as bytes; NaN is grey."""
    unknown = np.isnan(image).any(axis=2)
    levels = np.rint(255 * np.clip(np.nan_to_num(image), 0, 1)).astype(np.uint8)
    levels[unknown] = _NOTHING
    return levels


def coloured(
    values: Floats, *, low: float, high: float, colours: str, steps: int = STEPS
) -> Pixels:
    """Return a map (rows, cols) in the colours of a perceptually uniform scale; NaN is grey.

    Parameters
    ----------
    values : array (rows, cols)
    low, high : float
        Ends of the scale; what is beyond has the colour of the end.
    colours : str
        A colour map of matplotlib.
    steps : int
        Of the scale; a noisy map needs few.
    """
    share = np.clip((np.nan_to_num(values, nan=low) - low) / max(high - low, 1e-12), 0, 1)
    table = np.rint(255 * matplotlib.colormaps[colours](np.linspace(0, 1, steps))[:, :3])
    levels = table.astype(np.uint8)[np.rint(share * (steps - 1)).astype(int)]
    levels[np.isnan(values)] = _NOTHING
    return levels


def scale_bar(colours: str, *, steps: int = STEPS) -> Pixels:
    """Return a colour scale from its low to its high end, one pixel high."""
    ramp = np.linspace(0, 1, STEPS, dtype=np.float32)[None]
    return coloured(ramp, low=0, high=1, colours=colours, steps=steps)


def shrunk(pixels: Pixels, width: int, *, smooth: bool) -> Pixels:
    """Return a picture no wider than `width`, px; maps are thinned, pictures averaged."""
    rows, cols = pixels.shape[:2]
    if cols <= width:
        return pixels
    how = Image.Resampling.BOX if smooth else Image.Resampling.NEAREST
    small = Image.fromarray(pixels).resize((width, max(1, round(rows * width / cols))), how)
    return np.asarray(small)


def framed(pixels: Pixels, crops: Sequence[Crop], *, scale: float) -> Pixels:
    """Return a picture with numbered frames about its crops.

    Parameters
    ----------
    pixels : array (rows, cols, 3)
    crops : sequence of Crop
        In pixels of the whole picture.
    scale : float
        Of `pixels` against the whole picture.
    """
    image = Image.fromarray(pixels)
    draw = ImageDraw.Draw(image)
    boxes = [
        (
            round(crop.left * scale),
            round(crop.top * scale),
            round((crop.left + crop.width) * scale) - 1,
            round((crop.top + crop.height) * scale) - 1,
        )
        for crop in crops
    ]
    for left, top, right, bottom in boxes:
        draw.rectangle((left, top, right, bottom), outline="black", width=3)
        draw.rectangle((left + 1, top + 1, right - 1, bottom - 1), outline="white")
    for number, (left, top, *_) in enumerate(boxes, start=1):  # above all frames
        draw.rectangle((left + 3, top + 3, left + 15, top + 17), fill="black")
        draw.text((left + 7, top + 5), str(number), fill="white")
    return np.asarray(image)


def data_address(pixels: Pixels, *, quality: int | None = None) -> str:
    """Return a picture as a ``data:`` address of a WebP file.

    Parameters
    ----------
    pixels : array (rows, cols, 3)
    quality : int or None
        1 to 100 with loss; None without.
    """
    file = io.BytesIO()
    how = {"lossless": True, "quality": 80} if quality is None else {"quality": quality}
    Image.fromarray(pixels).save(file, format="WEBP", method=_WEBP_EFFORT, **how)
    return "data:image/webp;base64," + base64.b64encode(file.getvalue()).decode()
