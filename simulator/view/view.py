"""What a pinhole at the entrance pupil sees of one part of a scene."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from ...ground.arrays import namespace, sent
from ...ground.extremes import extremes
from ...ground.types import Bools, Doubles, Floats
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
        least, most = extremes(xp.astype(focused, xp.int8))
        if least == most:
            return [(self.sharp if most else self.blurred, None)]
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

    def misses(self, camera: Camera, window: Window) -> bool:
        """Whether it surely covers nothing of a window; it may say no where it does not."""


class Image(Part, Protocol):
    """What is seen in a part, at a depth of its own; it covers all of any window."""

    def depths_mm(self, camera: Camera) -> tuple[float, float]:
        """Return bounds of its camera depth, mm."""


class Boxed:
    """What parts share whose depths are those of a box; they fill and miss nothing for sure."""

    def box_mm(self) -> npt.NDArray[np.float64]:
        """Corners of a box around it."""
        raise NotImplementedError

    def z_range_mm(self, area_mm: npt.NDArray[np.float64]) -> tuple[float, float]:
        """Return the least and greatest z of all of it."""
        z = self.box_mm()[:, 2]
        return float(z[0]), float(z[1])

    def fills(self, camera: Camera, window: Window) -> bool:
        """Say no: it is too small to, or has edges."""
        return False

    def misses(self, camera: Camera, window: Window) -> bool:
        """Say no: it is likely seen in its box."""
        return False


def reach(part: Part, camera: Camera, frame: Window | None = None) -> tuple[Window, float, float]:
    """Return the same as `reaches` for one part."""
    (window,), nearest, farthest = reaches((part,), camera, frame)
    return window, float(nearest[0]), float(farthest[0])


def reaches(
    parts: tuple[Part, ...], camera: Camera, frame: Window | None = None
) -> tuple[list[Window], Doubles, Doubles]:
    """Return the pixels that parts may cover, and their nearest and farthest camera depths, mm.

    A window is cut to a few times the frame (or another one that is given) where the part is
    unbounded; the depths are those within a frame's width of the frame.
    """
    frame = frame or camera.frame
    longest = max(frame.shape)
    limit = frame.grown(4 * longest)
    whole = _boxes(parts)
    cut = _cut(whole, camera, frame.grown(longest))
    for number, part in enumerate(parts):
        if not isinstance(part, Boxed):
            cut[number, :, 2] = part.z_range_mm(cut[number, :, :2])
    row, col, depth = camera.project(cut[:, _CORNERS, range(3)])
    nearest, farthest = depth.min(axis=1), depth.max(axis=1)
    bounded = (nearest > 0) & np.isfinite(whole).all(axis=(1, 2))
    ends = np.stack([row.min(axis=1), row.max(axis=1), col.min(axis=1), col.max(axis=1)])
    ends = np.where(bounded, ends, 0.0)
    edges = np.stack(
        [np.floor(ends[0]) - 1, np.ceil(ends[1]) + 1, np.floor(ends[2]) - 1, np.ceil(ends[3]) + 1]
    )
    windows = [
        Window(*own).common(limit) if has_ends else limit
        for own, has_ends in zip(edges.T.astype(int).tolist(), bounded.tolist(), strict=True)
    ]
    return windows, np.maximum(nearest, 1e-3), farthest


@lru_cache(maxsize=64)
def _boxes(parts: tuple[Part, ...]) -> Doubles:
    """Return the boxes around parts, (n, 2, 3)."""
    return np.stack([part.box_mm() for part in parts])


def _cut(boxes: Doubles, camera: Camera, window: Window) -> Doubles:
    """Cut boxes in x and y to what a window shows at the depths of their middles."""
    middle = ((boxes[:, 0, 2] + boxes[:, 1, 2]) / 2 - camera.pupil_mm[2])[:, None, None]
    row, col = (window.row0 + window.row1) / 2, (window.col0 + window.col1) / 2
    row_mid, col_mid = camera.middle_px
    sight = camera.rotation @ [col - col_mid, row - row_mid, camera.focal_px]
    half = max(window.shape) / 2 / camera.focal_px * np.abs(middle)
    centre = camera.pupil_mm[:2] + middle * sight[:2] / sight[2]
    cut = boxes.copy()
    cut[..., :2] = np.minimum(np.maximum(boxes[..., :2], centre - half), centre + half)
    return cut
