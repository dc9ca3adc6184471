"""Grids of points that fill an outline exactly, edge included."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from ...ground.types import Doubles
from ..scene.scene import Outline

#: Corners that stand for an ellipse: the chords leave it by 2e-5 of its radius at most.
_CORNERS = 512


def corners_of(outline: Outline) -> Doubles:
    """Return an outline's corners in the sheet's own coordinates, mm, shape (n, 2).

    Raises
    ------
    ValueError
        An outline without an edge.
    """
    if outline.kind == "everywhere":
        raise ValueError("an outline of kind 'everywhere' has no corners; state an area")
    if outline.kind == "polygon":
        return np.array(outline.points_mm)
    if outline.kind == "spiral":
        assert outline.radius_mm is not None
        turn = np.linspace(-np.pi, np.pi, _CORNERS + 1)
        radius = outline.radius_mm * outline.growth ** (turn / (2 * np.pi))
        return radius[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    assert outline.size_mm is not None
    half = np.array(outline.size_mm) / 2
    if outline.kind == "rectangle":
        return half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    if outline.kind == "blade":
        return _blade_corners(*half)
    turn = 2 * np.pi * np.arange(_CORNERS) / _CORNERS
    return half * np.stack([np.cos(turn), np.sin(turn)], axis=1)


def _blade_corners(half_length: float, half_width: float) -> Doubles:
    """Return the corners of two arcs that meet in the tips."""
    radius = (half_length**2 + half_width**2) / (2 * half_width)
    turn = np.linspace(-1, 1, _CORNERS // 2 + 1)[:-1] * np.arcsin(half_length / radius)
    u, v = radius * np.sin(turn), radius * np.cos(turn) - (radius - half_width)
    return np.stack([np.concatenate([u, -u]), np.concatenate([v, -v])], axis=1)


def filling_grids(
    corners_mm: Doubles, pitch_mm: float, *, within_mm: Doubles
) -> list[tuple[Doubles, Doubles]]:
    """Cut a polygon (even-odd rule) into quadrilateral patches, each a grid of points.

    Between two neighbouring levels of its corners a polygon is a row of trapezoids.

    Parameters
    ----------
    corners_mm : array (n, 2)
        Corners (u, v) in order.
    pitch_mm : float
        Largest distance between neighbouring points along rows and between rows.
    within_mm : array ((u0, v0), (u1, v1))
        Only this area is wanted.

    Returns
    -------
    list of (u, v)
        Points of each patch, (rows, cols): u grows with the column, v with the row.
    """
    (u0, v0), (u1, v1) = within_mm
    start, end = corners_mm, np.roll(corners_mm, -1, axis=0)
    levels = np.unique(np.round(np.clip(corners_mm[:, 1], v0, v1), 9))
    # The same number of columns everywhere, so that neighbouring patches share their points.
    width = np.ptp(np.clip(corners_mm[:, 0], u0, u1))
    share = np.linspace(0, 1, max(2, int(np.ceil(width / pitch_mm)) + 1))
    patches = []
    for top, bottom in pairwise(levels):
        middle = (top + bottom) / 2
        crossed = (start[:, 1] > middle) != (end[:, 1] > middle)
        first, last = start[crossed], end[crossed]
        slope = (last[:, 0] - first[:, 0]) / (last[:, 1] - first[:, 1])
        order = np.argsort(first[:, 0] + slope * (middle - first[:, 1]))
        rows = max(2, int(np.ceil((bottom - top) / pitch_mm)) + 1)
        v = np.linspace(top, bottom, rows)[:, None]
        edges = np.clip(first[order, 0] + slope[order] * (v - first[order, 1]), u0, u1)
        for left, right in zip(edges.T[0::2], edges.T[1::2], strict=True):
            if np.any(right > left):
                u = left[:, None] * (1 - share) + right[:, None] * share
                patches.append((u, np.broadcast_to(v, u.shape)))
    return patches
