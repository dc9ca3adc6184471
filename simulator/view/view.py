"""What a pinhole at the entrance pupil sees of one part of a scene."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from ...ground.arrays import namespace, sent
from ...ground.types import Bools, Floats
from .camera import Camera, Window


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
    held : array (rows, cols, 3) or None
        Share of the light from behind that it holds back; None where that is its coverage.
    let_out : array (rows, cols, 3) or None
        Share of the light of its own image that it lets out; None where it has no image.
    across_mm : array or None
        Camera depth at which rays come together in one direction, where those in the other do as
        far to the other side of ``depth_mm``; None where all come together there.
    surface_mm : array or None
        Camera depth of the surface, in a bare view whose ``depth_mm`` is that of an image in it.
    """

    window: Window
    colour: Floats
    coverage: Floats | None
    depth_mm: Floats
    held: Floats | None = None
    let_out: Floats | None = None
    across_mm: Floats | None = None
    surface_mm: Floats | None = None

    def sent(self, xp: Any) -> View:
        """Return it with its arrays on a device; colours lie channel by channel there."""
        if xp is np:
            return self
        arrays = {one.name: getattr(self, one.name) for one in fields(self) if one.name != "window"}
        there: dict[str, Any] = {
            name: _sent(values, xp) for name, values in arrays.items() if values is not None
        }
        return replace(self, **there)


def _sent(values: Floats, xp: Any) -> Floats:
    if values.ndim == 2 or values.size == 0:
        return sent(values, xp)  # type: ignore[no-any-return]
    planes = np.ascontiguousarray(np.moveaxis(values, -1, 0))
    return xp.moveaxis(sent(planes, xp), 0, -1)  # type: ignore[no-any-return]


#: For each corner of a box whether it takes the lower (0) or upper x, y and z.
_CORNERS = np.indices((2, 2, 2)).reshape(3, 8).T

#: The colour of a bare view.
NO_COLOUR: Floats = np.zeros((0, 0, 3), np.float32)


@dataclass(frozen=True, eq=False)
class Sampling:
    """How many samples of its texture a pixel of a view takes.

    Parameters
    ----------
    sharp, blurred : int
        Per side, in focus and elsewhere.
    in_focus : callable or None
        Says of camera depths over the view's window where its points are in focus; None is
        everywhere.
    """

    sharp: int = 1
    blurred: int = 1
    in_focus: Callable[[Floats], Bools] | None = None

    def parts(self, depth_mm: Floats) -> list[tuple[int, Bools | None]]:
        """Return the counts that are needed, and where each is; None stands for everywhere."""
        if self.in_focus is None or self.sharp == self.blurred:
            return [(self.sharp, None)]
        focused = self.in_focus(depth_mm)
        xp = namespace(focused)
        if xp.all(focused) or not xp.any(focused):
            return [(self.sharp if xp.any(focused) else self.blurred, None)]
        return [(self.sharp, focused), (self.blurred, ~focused)]


#: One sample a pixel, in its middle.
ONE_SAMPLE = Sampling()


def summed(values: Floats) -> Floats:
    """Return sums over the last axis, in one order on every device: depths have no digit to spare.

    The order is NumPy's: one after another, or eight at a time, which are then joined in pairs.
    """
    count = values.shape[-1]
    if count % 8:
        total = values[..., 0]
        for place in range(1, count):
            total = total + values[..., place]
        return total
    total = values[..., :8]
    for place in range(8, count, 8):
        total = total + values[..., place : place + 8]
    while total.shape[-1] > 1:
        total = total[..., 0::2] + total[..., 1::2]
    return total[..., 0]


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

    @property
    def translucent(self) -> bool:
        """Whether light from behind comes straight through it."""

    @property
    def image(self) -> Image | None:
        """What is seen in it at a depth of its own, as through a window."""

    def box_mm(self) -> npt.NDArray[np.float64]:
        """Corners of a box around it, ((x0, y0, z0), (x1, y1, z1)); +-inf where unbounded."""

    def z_range_mm(self, area_mm: npt.NDArray[np.float64]) -> tuple[float, float]:
        """Return the least and greatest z over an area, ((x0, y0), (x1, y1))."""

    def view(
        self,
        camera: Camera,
        window: Window,
        *,
        sampling: Sampling = ONE_SAMPLE,
        bare: bool = False,
    ) -> View:
        """Return what a pinhole sees of it in a window.

        A ``bare`` view has no colour: coverage and depth at the pixels' centres alone.
        """

    def fills(self, camera: Camera, window: Window) -> bool:
        """Whether it surely covers all of a window; it may say no where it does."""


class Image(Part, Protocol):
    """What is seen in a part, at a depth of its own; it covers all of any window."""

    def depths_mm(self, camera: Camera) -> tuple[float, float]:
        """Return bounds of its camera depth, mm."""


def reach(part: Part, camera: Camera, frame: Window | None = None) -> tuple[Window, float, float]:
    """Return the pixels a part may cover, and its nearest and farthest camera depth, mm.

    The window is cut to a few times the frame (or another one that is given) where the part is
    unbounded; the depths are those within a frame's width of the frame.
    """
    frame = frame or camera.frame
    longest = max(frame.shape)
    limit = frame.grown(4 * longest)
    whole = part.box_mm()
    box = _cut(whole, camera, frame.grown(longest))
    box[:, 2] = part.z_range_mm(box[:, :2])
    # Plain numbers: there are hundreds of parts, and eight corners are too few for arrays to pay.
    row, col, depth = (axis.tolist() for axis in camera.project(box[_CORNERS, range(3)]))
    nearest = max(min(depth), 1e-3)
    if min(depth) <= 0 or not np.isfinite(whole).all():
        return limit, nearest, max(depth)
    window = Window(
        math.floor(min(row)) - 1,
        math.ceil(max(row)) + 1,
        math.floor(min(col)) - 1,
        math.ceil(max(col)) + 1,
    )
    return window.common(limit), nearest, max(depth)


def _cut(box: npt.NDArray, camera: Camera, window: Window) -> npt.NDArray[np.float64]:
    """Cut a box in x and y to what a window shows at the depth of the box's middle."""
    middle = (box[0, 2] + box[1, 2]) / 2 - camera.pupil_mm[2]
    row, col = (window.row0 + window.row1) / 2, (window.col0 + window.col1) / 2
    row_mid, col_mid = camera.middle_px
    sight = camera.rotation @ [col - col_mid, row - row_mid, camera.focal_px]
    half = max(window.shape) / 2 / camera.focal_px * abs(middle)
    centre = camera.pupil_mm[:2] + middle * sight[:2] / sight[2]
    cut = box.copy()
    cut[:, :2] = np.minimum(np.maximum(box[:, :2], centre - half), centre + half)
    return cut
