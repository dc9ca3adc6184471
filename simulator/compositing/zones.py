"""Where in a picture a rim cuts how much of the pupil off: zones of one blur each.

Toward the corners a rim before or behind the diaphragm clips the pupil, so that blurred highlights
become cat's eyes and less light comes through. The rim's outline slides over the pupil in
proportion to the image height. A picture is rendered for some heights, on a grid, and mixed
linearly between them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ...ground.types import Doubles, Floats
from .. import optics
from ..blur.pupil import Pupil, rim_place
from ..blur.shaped import pupil_of
from ..rig import Lens
from ..view.camera import Camera, Window

#: By how much the rim moves from zone to zone, in radii of the round pupil.
_STEP = 0.125
#: A zone is at least so wide, px: in a tiny picture they would be many.
_LEAST_PX = 16
#: What is left of a pupil that lets nothing through, of its area.
_DARK = 1e-3


@dataclass(frozen=True, eq=False)
class Zone:
    """A part of a picture that is seen through one pupil.

    Parameters
    ----------
    pupil : Pupil
    window : Window
        All pixels that it has a share in.
    weight : array (rows, cols)
        Its share at each of them; those of all zones make up 1.
    """

    pupil: Pupil
    window: Window
    weight: Floats


def has_rim(lens: Lens) -> bool:
    """Return whether anything clips a lens's pupil."""
    return lens.cutoff_radius_mm > 0


def zones_in(camera: Camera, tile: Window) -> Iterator[Zone]:
    """Yield the zones of a tile of a camera's picture, where any light comes through."""
    pixels = _step_px(camera)
    if np.isinf(pixels):
        # The rim stands in the diaphragm: it cuts the same off all over.
        yield Zone(_cut(camera, 0.0, 0.0), tile, np.ones(tile.shape, np.float32))
        return
    row_mid, col_mid = camera.middle_px
    row, col = tile.centres()
    down, across = (row[:, 0] - row_mid) / pixels, (col[0] - col_mid) / pixels
    shares: dict[Pupil, Floats] = {}
    for i in _nodes(down):
        for j in _nodes(across):
            pupil = _cut(camera, j * pixels, i * pixels)
            share = np.outer(_tent(down - i), _tent(across - j)).astype(np.float32)
            shares[pupil] = shares[pupil] + share if pupil in shares else share
    if len(shares) == 1:
        # Rounded shares make up 1 nearly; where they are of one pupil they do so to the last bit.
        shares = {pupil: np.ones_like(share) for pupil, share in shares.items()}
    for pupil, share in shares.items():
        rows, cols = np.flatnonzero(share.any(axis=1)), np.flatnonzero(share.any(axis=0))
        if len(rows) and pupil.area > _DARK:
            part = slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1)
            window = Window(
                tile.row0 + int(part[0].start),
                tile.row0 + int(part[0].stop),
                tile.col0 + int(part[1].start),
                tile.col0 + int(part[1].stop),
            )
            yield Zone(pupil, window, share[part])


def _step_px(camera: Camera) -> float:
    """Return how many pixels lie between zones."""
    lens = camera.lens_rig.lens
    if lens.cutoff_shift == 0:
        return np.inf
    step_mm = _STEP * optics.entrance_pupil_radius_mm(camera.lens_rig) / abs(lens.cutoff_shift)
    return max(step_mm * 1e3 / camera.pitch_um, _LEAST_PX)


def _nodes(place: Doubles) -> range:
    return range(int(np.floor(place.min())), int(np.ceil(place.max())) + 1)


def _tent(place: Doubles) -> Doubles:
    return np.maximum(1 - np.abs(place), 0)


def _cut(camera: Camera, x_px: float, y_px: float) -> Pupil:
    """Return the pupil at a place in the picture, px from the axis."""
    rig = camera.lens_rig
    radius_mm = optics.entrance_pupil_radius_mm(rig)
    per_px = camera.pitch_um * 1e-3
    x, y = rim_place(rig.lens.cutoff_shift / radius_mm, x_px * per_px, y_px * per_px)
    return pupil_of(rig).cut_by(x, y, rig.lens.cutoff_radius_mm / radius_mm)
