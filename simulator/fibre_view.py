"""The view of one fibre: a thin tapered cylinder along a line in space."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulator.camera import Camera, Window
from simulator.scene import Lighting
from simulator.view import View

Floats = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class FibrePart:
    """A fibre, ready to be seen.

    Parameters
    ----------
    name : str
        Surface it belongs to.
    points_mm : array (n, 3)
        Centre line from root to tip, object space.
    radii_mm : array (n,)
    colours : array (n, 3)
        Linear-light colours along it.
    lighting : Lighting
    living : bool
    """

    name: str
    points_mm: npt.NDArray[np.float64]
    radii_mm: npt.NDArray[np.float64]
    colours: npt.NDArray[np.float64]
    lighting: Lighting
    living: bool = True
    region: str = "fibres"
    extended: bool = False
    detail_mm: float = 0.0

    def box_mm(self) -> npt.NDArray[np.float64]:
        """Corners of a box around it."""
        radius = self.radii_mm[:, None]
        return np.array(
            [(self.points_mm - radius).min(axis=0), (self.points_mm + radius).max(axis=0)]
        )

    def z_range_mm(self, area_mm: npt.NDArray[np.float64]) -> tuple[float, float]:
        """Return the least and greatest z of all of it."""
        z = self.box_mm()[:, 2]
        return float(z[0]), float(z[1])

    def view(self, camera: Camera, window: Window) -> View:
        """Return what a pinhole sees of it in a window."""
        row, col, depth = camera.project(self.points_mm)
        radius = camera.focal_px * self.radii_mm / depth / window.scale
        line = np.stack([(row - window.row0) / window.scale, (col - window.col0) / window.scale], 1)
        coverage = np.zeros(window.shape, np.float32)
        along = np.zeros(window.shape, np.float32)
        side = np.zeros(window.shape, np.float32)
        for k in range(len(line) - 1):
            _draw_segment((coverage, along, side), line[k : k + 2], radius[k : k + 2], number=k)
        colour = self._shaded(along, side, line) * coverage[..., None]
        place = np.arange(len(line))
        depth_map = np.interp(along, place, depth).astype(np.float32)
        return View(window, colour, coverage, depth_map)

    def _shaded(self, along: Floats, side: Floats, line: npt.NDArray) -> Floats:
        """Colour along the fibre, lit as a cylinder."""
        place = np.arange(len(line))
        colour = np.stack([np.interp(along, place, c) for c in self.colours.T], axis=-1)
        heading = np.gradient(line, axis=0)
        heading /= np.maximum(np.linalg.norm(heading, axis=1, keepdims=True), 1e-9)
        # The across direction (row, column) is the heading turned by a right angle.
        across_row = np.interp(along, place, heading[:, 1])
        across_col = np.interp(along, place, -heading[:, 0])
        light = np.array(self.lighting.toward) / np.linalg.norm(self.lighting.toward)
        outward = np.clip(side, -1, 1)
        facing = outward * (across_col * light[0] + across_row * light[1])
        facing -= np.sqrt(1 - outward * outward) * light[2]
        ambient = self.lighting.ambient
        shade = ambient + (1 - ambient) * np.maximum(facing, 0) / max(-light[2], 0.2)
        return (colour * shade[..., None]).astype(np.float32)


def _draw_segment(
    drawn: tuple[Floats, Floats, Floats], ends: npt.NDArray, radii: npt.NDArray, *, number: int
) -> None:
    """Draw a tapered segment where it covers more than what is drawn already."""
    coverage, along, side = drawn
    margin = radii.max() + 1.5
    rows = _span(ends[:, 0], margin, coverage.shape[0])
    cols = _span(ends[:, 1], margin, coverage.shape[1])
    if rows.start >= rows.stop or cols.start >= cols.stop:
        return
    down = (np.arange(rows.start, rows.stop) + 0.5)[:, None] - ends[0, 0]
    across = (np.arange(cols.start, cols.stop) + 0.5)[None, :] - ends[0, 1]
    step = ends[1] - ends[0]
    length = max(float(np.hypot(*step)), 1e-9)
    share = np.clip((down * step[0] + across * step[1]) / length**2, 0, 1)
    off = np.hypot(down - share * step[0], across - share * step[1])
    radius = radii[0] + share * (radii[1] - radii[0])
    # Overlap of the fibre's width with the pixel's, so that hairs thinner than a pixel are right.
    cover = np.clip(np.minimum(radius, off + 0.5) - np.maximum(-radius, off - 0.5), 0, 1)
    here = (rows, cols)
    wins = cover > coverage[here]
    turn = (across * step[0] - down * step[1]) / length
    coverage[here] = np.where(wins, cover, coverage[here])
    along[here] = np.where(wins, number + share, along[here])
    side[here] = np.where(wins, -turn / np.maximum(radius, 0.5), side[here])


def _span(ends: npt.NDArray, margin: float, length: int) -> slice:
    return slice(
        max(int(np.floor(ends.min() - margin)), 0),
        min(int(np.ceil(ends.max() + margin)), length),
    )
