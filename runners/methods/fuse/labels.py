"""Fusion by a map of labels with few and unseen seams."""

from __future__ import annotations

import numpy as np

from ....ground.srgb import LUMA
from ....ground.types import Floats
from ....metrics.focus import MEASURES
from ..align.aligned import AlignedFrames
from ..picture.geometry import enlarged
from ..picture.stack import binned
from .choice import mixed
from .focus_map import fitting
from .fused import Fused
from .labelling import best_labels

CELLS = 25_000
SEAM_WEIGHT = 4.0
_WINDOW = 5


def seam_labels(aligned: AlignedFrames, *, seam_weight: float = SEAM_WEIGHT) -> Fused:
    """Choose a frame for every cell of a few pixels: sharp, and with seams where frames agree.

    The energy of a labelling is the sum over cells of the contrast lost against the sharpest
    frame, and over neighbouring cells with different frames of the colour difference between the
    two frames in both cells. It is lowered by message passing instead of a graph
    cut. Cells are blended into each other linearly. The costs of
    all frames are held at once, one value a cell.

    Parameters
    ----------
    seam_weight : float
        Weight of the colour difference (0..1 scale) against the relative loss of contrast.

    References
    ----------
    A. Agarwala and others, "Interactive digital photomontage", ACM Trans. Graphics 23, 294
    (2004): data term of maximum contrast, seam term of matching colours; scale and weight of the
    terms are choices made here, and no gradient-domain blending follows.
    """
    size = max(1, int(np.ceil(np.sqrt(aligned.shape[0] * aligned.shape[1] / CELLS))))
    contrast, colour = _cell_values(aligned, size)
    best = contrast.max(axis=2, keepdims=True)
    unary = (best - contrast) / (np.median(best) + 1e-12)
    difference = np.abs(colour[:, :, :, None] - colour[:, :, None, :]).sum(axis=-1)
    labels = best_labels(
        np.minimum(unary, 4).astype(np.float32), np.float32(seam_weight) * difference
    )
    image, position = mixed(
        aligned,
        lambda index: enlarged((labels == index).astype(np.float32), size, aligned.shape),
    )
    return Fused(image, position)


def _cell_values(aligned: AlignedFrames, size: int) -> tuple[Floats, Floats]:
    """Return contrast (rows, cols, frames) and colour (rows, cols, frames, 3) of cells."""
    contrasts, colours = [], []
    for frame in aligned:
        window = fitting(_WINDOW, aligned.shape)
        sharp = MEASURES["lap2"](frame.image @ LUMA, window=window)
        contrasts.append(binned((sharp * frame.covered).astype(np.float32), size))
        colours.append(binned(frame.image, size))
    return np.stack(contrasts, axis=-1), np.stack(colours, axis=2)
