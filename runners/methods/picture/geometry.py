"""Plane transforms between frames, and resampling of pictures through them.

A transform is a 3 x 3 matrix that takes a place (x, y) = (column, row) in the reference frame to
the place in another frame that shows the same thing; array indices, so that the centre of the
first pixel is (0, 0).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import ndimage
from skimage.transform import warp

from ....ground.types import Bools, Doubles, Floats, Reals
from .cubic import resampled
from .strips import strips

Matrix = Doubles
Coordinates = Floats

# Below this largest displacement anywhere in the picture, resampling would only soften.
_STILL_PX = 0.02
# Rows on either side of a place that cubic interpolation there uses.
_REACH = 2


def similarity(
    *, scale: float = 1.0, turn: float = 0.0, x: float = 0.0, y: float = 0.0,
    centre: tuple[float, float] = (0.0, 0.0),
) -> Matrix:  # fmt: skip
    """Return the matrix that scales and turns about a centre (x, y), then shifts by (x, y)."""
    cosine, sine = scale * np.cos(turn), scale * np.sin(turn)
    matrix = np.array([[cosine, -sine, x], [sine, cosine, y], [0.0, 0.0, 1.0]])
    matrix[:2, 2] += np.array(centre) - matrix[:2, :2] @ centre
    return matrix


def scale_of(matrix: Matrix) -> float:
    """Return the magnification of a transform: root of the area ratio."""
    return float(np.sqrt(abs(np.linalg.det(matrix[:2, :2]))))


def turn_of(matrix: Matrix) -> float:
    """Return the rotation of a transform, rad."""
    return float(np.arctan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1]))


def for_binned(matrix: Matrix, size: int) -> Matrix:
    """Express a transform of full pictures for pictures binned by `size`."""
    to_full = np.array([[size, 0, (size - 1) / 2], [0, size, (size - 1) / 2], [0, 0, 1.0]])
    return np.linalg.inv(to_full) @ matrix @ to_full


def for_full(matrix: Matrix, size: int) -> Matrix:
    """Express a transform of pictures binned by `size` for the full ones."""
    to_full = np.array([[size, 0, (size - 1) / 2], [0, size, (size - 1) / 2], [0, 0, 1.0]])
    return to_full @ matrix @ np.linalg.inv(to_full)


def corners(shape: tuple[int, int]) -> Matrix:
    """Return the four corner pixels as columns (x, y, 1)."""
    bottom, right = shape[0] - 1, shape[1] - 1
    return np.array([[0, right, 0, right], [0, 0, bottom, bottom], [1, 1, 1, 1]], dtype=float)


def displacement(first: Matrix, second: Matrix, shape: tuple[int, int]) -> float:
    """Return the largest distance between where two transforms take a corner, px."""
    places = corners(shape)
    moved = [(matrix @ places)[:2] / (matrix @ places)[2] for matrix in (first, second)]
    return float(np.hypot(*(moved[0] - moved[1])).max())


def is_still(matrix: Matrix, shape: tuple[int, int]) -> bool:
    """Say whether a transform moves nothing by more than a fiftieth of a pixel."""
    return displacement(matrix, np.eye(3), shape) < _STILL_PX


def resample(image: Floats, matrix: Matrix) -> Floats:
    """Bring a frame into the reference geometry by cubic interpolation, its edge continued.

    Parameters
    ----------
    image : array (rows, cols) or (rows, cols, planes) of float32
    matrix : array (3, 3)
        From reference to frame, affine, turned by less than 45 degrees.
    """
    return resample_rows(lambda rows: image[rows], (image.shape[0], image.shape[1]), matrix)


def resample_rows(
    read: Callable[[slice], Floats], shape: tuple[int, int], matrix: Matrix
) -> Floats:
    """Do what `resample` does to a frame of which only some rows are held at a time.

    Parameters
    ----------
    read : callable
        Gives the rows of the frame that a slice names.
    shape : tuple of int
        Height and width of the frame, px.
    """
    if is_still(matrix, shape):
        return read(slice(None))
    colours = read(slice(0, 1)).shape[2:]
    planes = int(np.prod(colours))
    out = np.empty((*shape, planes), dtype=np.float32)
    # Tall strips, because the rows that two of them share are read for each.
    for rows in strips(shape[0], shape[1] // 4):
        seen = _rows_seen(matrix, rows, shape)
        part = np.moveaxis(read(seen).reshape(-1, shape[1], planes), -1, 0)
        onto_part = similarity(y=-seen.start) @ matrix @ similarity(y=rows.start)
        made = resampled(part, onto_part, rows.stop - rows.start)
        out[rows] = np.moveaxis(made, 0, -1)
    return out.reshape(*shape, *colours)


def resample_bilinear(image: Floats, matrix: Matrix) -> Floats:
    """Bring a small copy into the reference geometry by bilinear interpolation."""
    planes = np.atleast_3d(image)
    out = [
        warp(
            np.ascontiguousarray(planes[..., plane]),
            matrix,
            order=1,
            mode="edge",
            clip=False,
            preserve_range=True,
        )
        for plane in range(planes.shape[2])
    ]
    return np.stack(out, axis=-1).reshape(image.shape)


def _rows_seen(matrix: Matrix, rows: slice, shape: tuple[int, int]) -> slice:
    """Return which rows of a frame a strip of the reference picture is made of, at least one."""
    height = rows.stop - rows.start
    places = matrix @ similarity(y=rows.start) @ corners((height, shape[1]))
    down = places[1] / places[2]
    first = int(np.floor(down.min())) - _REACH
    last = int(np.ceil(down.max())) + _REACH
    return slice(min(max(first, 0), shape[0] - 1), max(min(last + 1, shape[0]), 1))


def resample_dense(image: Floats, places: Coordinates, *, order: int = 3) -> Floats:
    """Bring a frame into the reference geometry through a place per pixel.

    Parameters
    ----------
    image : array (rows, cols) or (rows, cols, planes) of float32
    places : array (rows, cols, 2)
        Row and column in the frame.
    """
    planes = image if image.ndim == 3 else image[..., None]
    at = np.moveaxis(places, -1, 0)
    out = np.empty((*places.shape[:2], planes.shape[2]), dtype=np.float32)
    for channel in range(planes.shape[2]):
        ndimage.map_coordinates(
            planes[..., channel], at, order=order, mode="nearest", output=out[..., channel]
        )
    return out if image.ndim == 3 else out[..., 0]


def enlarged(cells: Floats, size: int, shape: tuple[int, int]) -> Floats:
    """Bring values of cells of `size` x `size` pixels to pixels, linearly between cells' middles.

    Parameters
    ----------
    cells : array (rows, cols) of float32
        What is left beyond the last cell takes the value of the nearest.
    size : int
    shape : (rows, cols)
        Of the result.
    """
    at = np.meshgrid(*((np.arange(side) + 0.5) / size - 0.5 for side in shape), indexing="ij")
    return np.asarray(
        ndimage.map_coordinates(cells, at, order=1, mode="nearest", output=np.float32)
    )


def carried(matrix: Matrix, shape: tuple[int, int]) -> Coordinates:
    """Return where a transform takes every pixel: (row, column), shape (rows, cols, 2)."""
    rows, columns = np.arange(shape[0])[:, None], np.arange(shape[1])[None, :]
    x, y, depth = (row[0] * columns + row[1] * rows + row[2] for row in matrix)
    return np.stack([y / depth, x / depth], axis=-1).astype(np.float32)


def covered(matrix: Matrix, shape: tuple[int, int]) -> Bools:
    """Say which pixels of the reference picture a frame covers, with the slack of `inside`."""
    out = np.ones(shape, dtype=bool)
    if is_still(matrix, shape):
        return out
    rows, columns = np.arange(shape[0])[:, None], np.arange(shape[1])[None, :]
    x, y, depth = matrix
    # Each side of the frame is a straight line in the reference picture, and cuts a row but once.
    for toward, down, rest in (
        x + 0.5 * depth,
        (shape[1] - 0.5) * depth - x,
        y + 0.5 * depth,
        (shape[0] - 0.5) * depth - y,
    ):
        value = down * rows + rest
        if toward == 0:
            out &= value >= 0
        else:
            crossing = -value / toward
            out &= columns >= crossing if toward > 0 else columns <= crossing
    return out


def inside(rows: Reals, columns: Reals, shape: tuple[int, int]) -> Bools:
    """Say which places lie in a picture of this shape; NaN does not.

    Half a pixel of slack: the outermost pixels are worth having, their edge is continued.
    """
    below = (rows >= -0.5) & (rows <= shape[0] - 0.5)
    return below & (columns >= -0.5) & (columns <= shape[1] - 0.5)
