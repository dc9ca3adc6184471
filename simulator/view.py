"""What a pinhole at the entrance pupil sees of one part of a scene."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Protocol

import numpy as np
import numpy.typing as npt

from simulator.camera import Camera, Window

Floats = npt.NDArray[np.float32]
#: Places in a pixel, (down, across) from its centre, px.
Spots = tuple[tuple[float, float], ...]


@dataclass(frozen=True, eq=False)
class View:
    """One part of the scene in one window; every value is the mean over its (merged) pixel.

    Parameters
    ----------
    window : Window
    colour : array (rows, cols, 3)
        Linear radiance times coverage; empty in a bare view.
    coverage : array (rows, cols) or None
        Share of the pixel that the part covers; None where it covers all.
    depth_mm : array (rows, cols), or of shape (1, 1) where it is the same all over
        Camera depth Z of the part's surface, continued smoothly beyond its edge.
    """

    window: Window
    colour: Floats
    coverage: Floats | None
    depth_mm: Floats


#: The colour of a bare view.
NO_COLOUR: Floats = np.zeros((0, 0, 3), np.float32)


class Part(Protocol):
    """A thing that hides what is behind it."""

    @property
    def name(self) -> str:
        """Name of the surface it belongs to."""

    @property
    def region(self) -> str:
        """Either "plain" or "fibres"."""

    @property
    def living(self) -> bool:
        """Whether it moves with the subject."""

    @property
    def extended(self) -> bool:
        """Whether its blur changes from place to place, so that it must be normalised."""

    @property
    def detail_mm(self) -> float:
        """Size of its smallest side, mm; inf where it has none."""

    def box_mm(self) -> npt.NDArray[np.float64]:
        """Corners of a box around it, ((x0, y0, z0), (x1, y1, z1)); +-inf where unbounded."""

    def z_range_mm(self, area_mm: npt.NDArray[np.float64]) -> tuple[float, float]:
        """Return the least and greatest z over an area, ((x0, y0), (x1, y1))."""

    def view(
        self,
        camera: Camera,
        window: Window,
        *,
        fine: int = 1,
        spots_px: Spots = (),
        bare: bool = False,
    ) -> View:
        """Return what a pinhole sees of it in a window, ``fine`` samples to a pixel's side.

        A ``bare`` view has no colour: coverage and depth at the pixels' centres alone.
        """


def reach(part: Part, camera: Camera) -> tuple[Window, float, float]:
    """Return the pixels a part may cover, and its nearest and farthest camera depth, mm.

    The window is cut to a few times the frame where the part is unbounded; the depths are those
    within a frame's width of the frame.
    """
    frame = camera.frame
    longest = max(frame.row1, frame.col1)
    limit = frame.grown(4 * longest)
    whole = part.box_mm()
    box = _cut(whole, camera, frame.grown(longest))
    box[:, 2] = part.z_range_mm(box[:, :2])
    row, col, depth = camera.project(list(product(*box.T.tolist())))
    nearest = max(float(depth.min()), 1e-3)
    if not np.isfinite(whole).all() or depth.min() <= 0:
        return limit, nearest, float(depth.max())
    window = Window(
        int(np.floor(row.min())) - 1,
        int(np.ceil(row.max())) + 1,
        int(np.floor(col.min())) - 1,
        int(np.ceil(col.max())) + 1,
    )
    return window.common(limit), nearest, float(depth.max())


def _cut(box: npt.NDArray, camera: Camera, window: Window) -> npt.NDArray[np.float64]:
    """Cut a box in x and y to what a window shows at the depth of the box's middle."""
    middle = np.nan_to_num(box[:, 2]).mean() - camera.pupil_mm[2]
    row, col = (window.row0 + window.row1) / 2, (window.col0 + window.col1) / 2
    row_mid, col_mid = camera.middle_px
    sight = camera.rotation @ [col - col_mid, row - row_mid, camera.focal_px]
    half = max(window.shape) / 2 / camera.focal_px * abs(middle)
    centre = camera.pupil_mm[:2] + middle * sight[:2] / sight[2]
    cut = box.copy()
    cut[0, :2] = np.clip(box[0, :2], centre - half, centre + half)
    cut[1, :2] = np.clip(box[1, :2], centre - half, centre + half)
    return cut
