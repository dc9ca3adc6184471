"""Fusion by random walks: every cell goes to the frame at which a walker from it ends."""

from __future__ import annotations

import numpy as np
from scipy import special

from ....ground.srgb import LUMA
from ....ground.types import Floats
from ....metrics.focus import MEASURES
from ..align.aligned import AlignedFrames
from ..picture.geometry import enlarged
from ..picture.stack import binned
from .choice import mixed
from .focus_map import fitting
from .fused import Fused
from .walk import likeness, walk_probabilities

CELLS = 40_000
SIGMA_LIKENESS = 0.1
EDGE = 10.0
POWER = 8.0
_WINDOW = 5
# By how much a frame has to stand out of the mean of all before its pull is near full.
_LONE = 0.5


def random_walk(
    aligned: AlignedFrames,
    *,
    sigma_likeness: float = SIGMA_LIKENESS,
    edge: float = EDGE,
    power: float = POWER,
) -> Fused:
    """Take every cell of a few pixels from the frame at which a random walk from it ends.

    A frame pulls at a cell by how sharp it is there beside the sharpest frame, and by how far that
    one stands out of all; where no frame stands out, the walker goes on to cells of like
    colour. The frame of the largest probability is taken, mixed with its neighbours in the order
    of depth by theirs, and cells are blended into each other linearly. The sharpness and the
    probabilities of all frames are held at once, one value a cell, for at most 40 000 cells.

    Parameters
    ----------
    sigma_likeness : float
        Difference of colour, on the 0..1 scale, at which an edge falls to 1/e.
    edge : float
        Weight of the edge between two cells of one colour, against the largest pull, which is 1.
    power : float
        To which the sharpness beside the sharpest frame is raised.

    References
    ----------
    R. Shen, I. Cheng, J. Shi and A. Basu, "Generalized random walks for fusion of multi-exposure
    images", IEEE Trans. Image Processing 20, 3634 (2011): the walk, the exponential of the
    difference of colour and its scale 0.1, the error function of contrast, from memory. J. Ma
    and others, "Multi-focus image fusion based on multi-scale focus measures and generalized
    random walk", Chinese Control Conference, 5464 (2017), takes sharpness in the place of
    contrast. The measure, the power, what stands out, the weight of edges, cells and
    the choice of the most probable frame are choices made here.
    """
    sharp, picture, size = _cell_values(aligned)
    down, right = likeness(picture, sigma=sigma_likeness)
    edges = np.float32(edge) * down, np.float32(edge) * right
    at = likeliest_position(walk_probabilities(compatibility(sharp, power=power), *edges))
    image, position = mixed(
        aligned,
        lambda index: enlarged(np.maximum(0, 1 - np.abs(at - index)), size, aligned.shape),
    )
    return Fused(image, np.clip(position, 0, len(aligned) - 1))


def compatibility(sharp: Floats, *, power: float) -> Floats:
    """Return how strongly each frame pulls at each cell, 0..1.

    Parameters
    ----------
    sharp : array (rows, cols, frames) of float32
        Not negative. A cell as sharp in all frames shows noise, and nothing pulls there; one that
        is sharp in a single frame is pulled with full strength.
    power : float
    """
    count = sharp.shape[2]
    best = sharp.max(axis=2, keepdims=True)
    lone = (best - sharp.mean(axis=2, keepdims=True)) / (best + 1e-12) * count / max(count - 1, 1)
    trust = special.erf(lone / _LONE) ** 2
    return np.asarray(trust * (sharp / (best + 1e-12)) ** power, dtype=np.float32)


def likeliest_position(chances: Floats) -> Floats:
    """Return the centre of gravity of the largest probability and its two neighbours.

    Parameters
    ----------
    chances : array (rows, cols, frames) of float32
    """
    best = chances.argmax(axis=2)
    padded = np.pad(chances, ((0, 0), (0, 0), (1, 1)))
    rows, columns = np.indices(best.shape)
    before, here, after = (padded[rows, columns, best + step] for step in (0, 1, 2))
    return np.asarray(best + (after - before) / (before + here + after), dtype=np.float32)


def _cell_values(aligned: AlignedFrames) -> tuple[Floats, Floats, int]:
    """Return the sharpness (rows, cols, frames) of cells, their sharpest colour, and their side."""
    size = max(1, int(np.ceil(np.sqrt(aligned.shape[0] * aligned.shape[1] / CELLS))))
    window = fitting(_WINDOW, aligned.shape)
    sharp: list[Floats] = []
    best = picture = np.zeros(0, dtype=np.float32)
    for frame in aligned:
        value = MEASURES["lap2"](frame.image @ LUMA, window=window) * frame.covered
        cells, colour = binned(value.astype(np.float32), size), binned(frame.image, size)
        better = cells > best if sharp else np.ones(cells.shape, dtype=bool)
        best = np.where(better, cells, best) if sharp else cells
        picture = np.where(better[..., None], colour, picture) if sharp else colour
        sharp.append(cells)
    return np.stack(sharp, axis=-1), picture, size
