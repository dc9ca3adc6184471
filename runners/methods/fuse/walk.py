"""Random walks on a grid to labels that pull at every cell: the generalised Dirichlet problem."""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.sparse import linalg

from ....ground.types import Doubles, Floats

# A cell that no label pulls at is still reached: the system stays positive definite.
_LEAST_PULL = 1e-6


def likeness(picture: Floats, *, sigma: float) -> tuple[Floats, Floats]:
    """Return how alike neighbouring cells are, exp(-|difference of colour| / `sigma`).

    Parameters
    ----------
    picture : array (rows, cols, colours) of float32
    sigma : float
        In the picture's own scale.

    Returns
    -------
    tuple of array
        Of each cell with the one below (rows - 1, cols) and to the right (rows, cols - 1), 0..1.
    """
    return _alike(picture[1:] - picture[:-1], sigma), _alike(
        picture[:, 1:] - picture[:, :-1], sigma
    )


def _alike(difference: Floats, sigma: float) -> Floats:
    return np.asarray(np.exp(-np.sqrt((difference**2).sum(axis=-1)) / sigma), dtype=np.float32)


def walk_probabilities(pull: Floats, down: Floats, right: Floats) -> Floats:
    """Return with what probability a walker from each cell ends at each label.

    At every step the walker goes to a neighbour in proportion to the edge between them, or to a
    label in proportion to that label's pull at the cell, and stays there. So with L the
    Laplacian of the grid and d the sum of all pulls, (L + diag(d)) p_k = pull_k for each label:
    one sparse system, symmetric and positive definite, factored once for all labels.

    Parameters
    ----------
    pull : array (rows, cols, labels) of float32
        Not negative.
    down, right : array (rows - 1, cols), (rows, cols - 1)
        Weights of the edges, not negative.

    Returns
    -------
    array (rows, cols, labels) of float32
        0..1, with a sum of 1 in every cell.

    References
    ----------
    L. Grady, "Random walks for image segmentation", IEEE Trans. Pattern Analysis and Machine
    Intelligence 28, 1768 (2006); R. Shen, I. Cheng, J. Shi and A. Basu, "Generalized random walks
    for fusion of multi-exposure images", IEEE Trans. Image Processing 20, 3634 (2011).
    """
    rows, columns, labels = pull.shape
    ends = pull.reshape(-1, labels).astype(float) + _LEAST_PULL / labels
    system = grid_laplacian(down, right) + sparse.diags_array(ends.sum(axis=1))
    factors = linalg.splu(
        sparse.csc_array(system),
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )
    out = np.empty((rows * columns, labels), dtype=np.float32)
    for label in range(labels):
        out[:, label] = np.clip(factors.solve(ends[:, label]), 0, 1)
    return out.reshape(rows, columns, labels)


def grid_laplacian(down: Floats, right: Floats) -> sparse.csc_array:
    """Return the Laplacian of a grid of four neighbours, cells in the order of rows.

    Parameters
    ----------
    down, right : array (rows - 1, cols), (rows, cols - 1)
        Weights of the edges.
    """
    rows, columns = right.shape[0], down.shape[1]
    cell = np.arange(rows * columns).reshape(rows, columns)
    first = np.concatenate([cell[:-1].ravel(), cell[:, :-1].ravel()])
    second = np.concatenate([cell[1:].ravel(), cell[:, 1:].ravel()])
    weight: Doubles = np.concatenate([down.ravel(), right.ravel()]).astype(float)
    shape = (cell.size, cell.size)
    half = sparse.coo_array((weight, (first, second)), shape=shape).tocsc()
    joined = half + half.T
    return sparse.csc_array(sparse.diags_array(joined.sum(axis=0)) - joined)
