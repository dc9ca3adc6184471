"""Labels on a grid by sequential tree-reweighted message passing.

Lowers the sum over cells of unary(cell, label) plus the sum over neighbouring cells of a cost of
their two labels. V. Kolmogorov, "Convergent tree-reweighted message passing for energy
minimization", IEEE Trans. Pattern Analysis and Machine Intelligence 28, 1568 (2006). Cells are
visited in the order of diagonals, so that a whole diagonal is worked at once.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ....ground.types import Floats, Indices, Labels


def best_labels(unary: Floats, mismatch: Floats, *, iterations: int = 10) -> Labels:
    """Find labels of low energy on a grid.

    Parameters
    ----------
    unary : array (rows, cols, labels) of float32
        Cost of each label in each cell.
    mismatch : array (rows, cols, labels, labels) of float32
        What it costs in a cell that one label meets another there; symmetric, zero on the
        diagonal. The cost between two neighbouring cells is the sum of both cells' mismatch.
    iterations : int
        Each goes over the grid forth and back.

    Returns
    -------
    array (rows, cols) of int16
        Exact for a single row or column; on a grid a good approximation.
    """
    messages = _Messages(unary, mismatch)
    for _ in range(iterations):
        messages.sweep()
        messages.sweep(backwards=True)
    found = messages.decode()
    plain = np.argmin(unary, axis=2).astype(np.int16)
    return min(found, plain, key=lambda labels: grid_energy(labels, unary, mismatch))


class _Messages:
    """The messages that each cell has received from its four neighbours."""

    def __init__(self, unary: Floats, mismatch: Floats) -> None:
        self.unary, self.mismatch = unary, mismatch
        self.shape = unary.shape[:2]
        # received[axis, side]: from the neighbour before (0) or after (1), along rows or columns.
        self.received = np.zeros((2, 2, *unary.shape), dtype=np.float32)
        rows, columns = np.indices(self.shape)
        before = (rows > 0).astype(int) + (columns > 0)
        after = (rows < self.shape[0] - 1).astype(int) + (columns < self.shape[1] - 1)
        self.share = (1 / np.maximum(np.maximum(before, after), 1)).astype(np.float32)

    def _diagonals(self) -> Iterator[tuple[Indices, Indices]]:
        height, width = self.shape
        for number in range(height + width - 1):
            rows = np.arange(max(0, number - width + 1), min(height, number + 1))
            yield rows, number - rows

    def sweep(self, *, backwards: bool = False) -> None:
        """Pass messages to the cells after (or before) each cell, diagonal by diagonal."""
        diagonals = list(self._diagonals())
        for rows, columns in reversed(diagonals) if backwards else diagonals:
            belief = self.unary[rows, columns] + self.received[:, :, rows, columns].sum(axis=(0, 1))
            belief *= self.share[rows, columns, None]
            for axis in range(2):
                self._send(belief, rows, columns, axis, backwards)

    def _send(
        self, belief: Floats, rows: Indices, columns: Indices, axis: int, backwards: bool
    ) -> None:
        step = -1 if backwards else 1
        to_rows, to_columns = (rows + step, columns) if axis == 0 else (rows, columns + step)
        place, end = (to_rows, self.shape[0]) if axis == 0 else (to_columns, self.shape[1])
        there = (place >= 0) & (place < end)
        here, target = (rows[there], columns[there]), (to_rows[there], to_columns[there])
        # What the target itself sent is not sent back to it.
        own = belief[there] - self.received[axis, 0 if backwards else 1][here]
        cost = self.mismatch[here] + self.mismatch[target]
        message = (own[:, :, None] + cost).min(axis=1)
        message -= message.min(axis=1, keepdims=True)
        self.received[axis, 1 if backwards else 0][target] = message

    def decode(self) -> Labels:
        """Label the cells in order, each knowing the labels before it and the messages after."""
        labels = np.zeros(self.shape, dtype=np.int16)
        for rows, columns in self._diagonals():
            cost = self.unary[rows, columns] + self.received[:, 1, rows, columns].sum(axis=0)
            for down, right in ((1, 0), (0, 1)):
                known = (rows >= down) & (columns >= right)
                here = rows[known], columns[known]
                before = rows[known] - down, columns[known] - right
                label = labels[before]
                cost[known] += self.mismatch[(*here, label)] + self.mismatch[(*before, label)]
            labels[rows, columns] = cost.argmin(axis=1)
        return labels


def grid_energy(labels: Labels, unary: Floats, mismatch: Floats) -> float:
    """Return the energy of labels on the grid."""
    rows, columns = np.indices(labels.shape)
    total = float(unary[rows, columns, labels].sum(dtype=float))
    for first, second in ((np.s_[:, :-1], np.s_[:, 1:]), (np.s_[:-1], np.s_[1:])):
        pair = (labels[first].astype(np.intp), labels[second].astype(np.intp))
        grid = tuple(np.indices(pair[0].shape))
        total += float(mismatch[first][grid + pair].sum(dtype=float))
        total += float(mismatch[second][grid + pair].sum(dtype=float))
    return total
