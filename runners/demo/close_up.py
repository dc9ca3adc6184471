"""Where one looks closely at a picture: the window of real pixels that shows most in focus."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import uniform_filter

from ...ground.types import Bools, Floats
from ...simulator.view.camera import Crop

#: Width and height of the window, real pixels; less where the sensor has less.
CLOSE_PX = (600, 400)


def busiest_window(
    grey: Floats, reached: Bools, *, bins: int, size_px: tuple[int, int] = CLOSE_PX
) -> Crop:
    """Return the window of real pixels with the most detail in what the pass reaches.

    Detail is the slope of the whole picture, summed over the window's pixels that lie at a depth
    which the pass goes through: who looks at a picture at 1:1 looks at the subject, and a place in
    the backdrop says nothing of its surfaces. Of equal windows the upper left one is taken.

    Parameters
    ----------
    grey : array (rows, cols)
        The whole picture in focus, sRGB-encoded, 0 to 1, its pixels merged.
    reached : array (rows, cols) of bool
        Whether a pixel lies at a depth of the pass.
    bins : int
        Real pixels merged into one, per side.
    size_px : (width, height)
        Of the window, real pixels.

    Returns
    -------
    (width, height, left, top)
        In real pixels, within the picture.
    """
    down, across = np.gradient(grey.astype(np.float64))
    detail = np.hypot(down, across) * reached
    size = [
        min(-(-part // bins), have) for part, have in zip(size_px[::-1], grey.shape, strict=True)
    ]
    mean = uniform_filter(detail, size, mode="constant")
    # A filter's answer stands at its middle: only windows that lie within the picture count.
    rows, cols = (
        slice(part // 2, have - part + part // 2 + 1)
        for part, have in zip(size, grey.shape, strict=True)
    )
    inside = mean[rows, cols]
    # Running sums leave dust: sums that are equal must stay so.
    top, left = np.unravel_index(np.argmax(np.round(inside, 9)), inside.shape)
    height, width = (
        min(part, have * bins) for part, have in zip(size_px[::-1], grey.shape, strict=True)
    )
    return (
        width,
        height,
        min(int(left) * bins, grey.shape[1] * bins - width),
        min(int(top) * bins, grey.shape[0] * bins - height),
    )
