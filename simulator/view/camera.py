"""A rig at a pose: pixels to rays and points to pixels, for the pinhole in the entrance pupil."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from ...ground.arrays import namespace_on, sent
from ...ground.types import Doubles, Floats
from .. import optics
from ..handling.sway import STILL, SubjectPose
from ..pose import NOMINAL, Pose
from ..rig import Rig

Axis = npt.NDArray[Any]
#: Width and height of a part of the sensor about its middle, or these and the part's left and upper
#: edge; real pixels.
Crop = tuple[int, int] | tuple[int, int, int, int]

#: Steps to the place of a point in the picture of a curved field; each leaves a small part of
#: the error before it.
_FIELD_STEPS = 4


@dataclass(frozen=True, slots=True)
class Window:
    """A rectangle of output pixels, [row0, row1) x [col0, col1), sampled every ``scale`` pixels.

    Rows and columns may lie outside the frame: light reaches the frame from there as well.
    """

    row0: int
    row1: int
    col0: int
    col1: int
    scale: int = 1

    @property
    def shape(self) -> tuple[int, int]:
        """Samples down and across."""
        return (self.row1 - self.row0) // self.scale, (self.col1 - self.col0) // self.scale

    @property
    def empty(self) -> bool:
        """Whether no sample is left."""
        return self.row1 <= self.row0 or self.col1 <= self.col0

    def centres(self) -> tuple[Doubles, Doubles]:
        """Return row (n, 1) and column (1, m) of the samples' centres, pixel coordinates."""
        rows, cols = (np.arange(count, dtype=np.float64) + 0.5 for count in self.shape)
        return self.row0 + rows[:, None] * self.scale, self.col0 + cols[None, :] * self.scale

    def grown(self, pixels: int) -> Window:
        """Return the window with a margin all round."""
        return Window(
            self.row0 - pixels,
            self.row1 + pixels,
            self.col0 - pixels,
            self.col1 + pixels,
            self.scale,
        )

    def common(self, other: Window) -> Window:
        """Return the part that both windows cover, at this window's scale."""
        return Window(
            max(self.row0, other.row0),
            min(self.row1, other.row1),
            max(self.col0, other.col0),
            min(self.col1, other.col1),
            self.scale,
        )

    def at_scale(self, scale: int) -> Window:
        """Return the smallest window on multiples of ``scale`` pixels that covers this one."""
        return Window(
            self.row0 // scale * scale,
            -(-self.row1 // scale) * scale,
            self.col0 // scale * scale,
            -(-self.col1 // scale) * scale,
            scale,
        )

    def slices_in(self, outer: Window) -> tuple[slice, slice]:
        """Return the slices of this window in an array of the outer one, in its samples."""
        s = outer.scale
        return (
            slice((self.row0 - outer.row0) // s, (self.row1 - outer.row0) // s),
            slice((self.col0 - outer.col0) // s, (self.col1 - outer.col0) // s),
        )


def crop_size(crop: Crop | None, rig: Rig) -> tuple[int, int]:
    """Return width and height of what a crop takes of the sensor, real pixels."""
    return (rig.sensor.width_px, rig.sensor.height_px) if crop is None else crop[:2]


def crop_corner(crop: Crop | None, rig: Rig) -> tuple[int, int]:
    """Return the left and the upper edge of a crop on the sensor, real pixels."""
    if crop is not None and len(crop) == 4:
        return crop[2:]
    width, height = crop_size(crop, rig)
    return (rig.sensor.width_px - width) // 2, (rig.sensor.height_px - height) // 2


def crop_text(crop: Crop) -> str:
    """Return a crop as it is written: ``640x448``, or ``640x448+1200+800``."""
    return "x".join(map(str, crop[:2])) + "".join(f"+{edge}" for edge in crop[2:])


@dataclass(frozen=True)
class Camera:
    """What turns object space into pixels.

    Parameters
    ----------
    rig : Rig
        Lens and sensor at the nominal focus.
    pose : Pose
        Displacement and rotation of the entrance pupil.
    focus_mm : float
        How much farther than nominal the lens is focused, the entrance pupil standing still.
    crop : (width, height) or (width, height, left, top) or None
        Part of the sensor in real pixels: about its middle, or from a left and upper edge; None is
        the whole sensor.
    bin : int
        Real pixels merged into one, per side.
    subject : SubjectPose
        Where the living parts of the scene are.
    place_mm : (x, y)
        The point of the entrance pupil to look through, from its middle, in the camera's own
        axes. Points in focus stay where they are in the picture.
    first_px : (row, column)
        Pixel coordinates of the picture's first pixel.
    device : str
        What its views are worked out on, of `ground.arrays.DEVICES`.
    """

    rig: Rig
    pose: Pose = NOMINAL
    focus_mm: float = 0.0
    crop: Crop | None = None
    bin: int = 1
    subject: SubjectPose = STILL
    place_mm: tuple[float, float] = (0.0, 0.0)
    first_px: tuple[int, int] = (0, 0)
    device: str = "cpu"

    def __post_init__(self) -> None:
        full = (self.rig.sensor.width_px, self.rig.sensor.height_px)
        wanted, corner = crop_size(self.crop, self.rig), crop_corner(self.crop, self.rig)
        ends = zip(wanted, corner, full, strict=True)
        if not all(want > 0 and at >= 0 and at + want <= have for want, at, have in ends):
            raise ValueError(
                f"crop: got {crop_text(self.crop or full)} pixels, allowed up to "
                f"{full[0]}x{full[1]} of rig {self.rig.name!r}, within its sensor"
            )
        if self.bin < 1 or any(want < self.bin for want in wanted):
            raise ValueError(f"bin: got {self.bin}, allowed 1 to {min(wanted)}")

    @property
    def xp(self) -> Any:
        """Namespace of the arrays that its views are made of."""
        return namespace_on(self.device)

    @cached_property
    def lens_rig(self) -> Rig:
        """The rig with its lens focused where this camera focuses it."""
        return (
            self.rig if self.focus_mm == 0 else optics.refocused(self.rig, focus_mm=self.focus_mm)
        )

    @cached_property
    def frame(self) -> Window:
        """All pixels of the picture."""
        width, height = crop_size(self.crop, self.rig)
        row, col = self.first_px
        return Window(row, row + height // self.bin, col, col + width // self.bin)

    @cached_property
    def uncut(self) -> Window:
        """All pixels that the whole sensor would have, laid about the same axis."""
        sensor, frame = self.rig.sensor, self.frame
        rows, cols = sensor.height_px // self.bin, sensor.width_px // self.bin
        if self._is_aside:
            left, top = (edge // self.bin for edge in crop_corner(self.crop, self.rig))
        else:
            top, left = (
                (own - cut) // 2 for own, cut in zip((rows, cols), frame.shape, strict=True)
            )
        row0, col0 = frame.row0 - top, frame.col0 - left
        return Window(row0, row0 + rows, col0, col0 + cols)

    def centred(self) -> Camera:
        """Return the camera with pixel coordinates counted from about the optical axis.

        Then what is laid out on multiples of some pixels is so for every crop alike.
        """
        own = replace(self, first_px=(0, 0))
        if not self._is_aside:
            rows, cols = own.frame.shape
            return replace(self, first_px=(-(rows // 2), -(cols // 2)))
        row, col = (int(np.floor(middle)) for middle in own._middle)
        return replace(self, first_px=(-row, -col))

    @property
    def on_host(self) -> Camera:
        """The camera whose arrays are the host's."""
        return self if self.device == "cpu" else replace(self, device="cpu")

    @property
    def pitch_um(self) -> float:
        """Distance between the picture's pixels on the sensor, um."""
        return self.rig.sensor.pitch_um * self.bin

    @cached_property
    def distance_mm(self) -> float:
        """From the entrance pupil to the plane of focus, mm."""
        lens = self.lens_rig.lens
        return float(
            optics.pupil_distance_mm(
                lens.focal_length_mm, lens.magnification, pupil_ratio=lens.pupil_ratio
            )
        )

    @cached_property
    def focal_px(self) -> float:
        """Pixels per unit of tangent: pixel = focal_px * X / Z + middle."""
        return self.lens_rig.lens.magnification * self.distance_mm * 1e3 / self.pitch_um

    @cached_property
    def pupil_mm(self) -> npt.NDArray[np.float64]:
        """Position of the entrance pupil in object space, (x, y, z) mm."""
        nominal = optics.pupil_distance_mm(
            self.rig.lens.focal_length_mm,
            self.rig.lens.magnification,
            pupil_ratio=self.rig.lens.pupil_ratio,
        )
        middle = self.pose.shift_mm - np.array([0.0, 0.0, float(nominal)])
        return middle + self.rotation[:, :2] @ self.place_mm

    @cached_property
    def rotation(self) -> npt.NDArray[np.float64]:
        """Camera to object coordinates, shape (3, 3)."""
        return self.pose.rotation()

    @property
    def middle_px(self) -> tuple[float, float]:
        """Row and column of the ray along the optical axis (centres at half-integers)."""
        aside = self.focal_px / self.distance_mm
        x, y = self.place_mm
        row, col = self._middle
        return row + aside * y, col + aside * x

    @property
    def _is_aside(self) -> bool:
        """Whether the crop says where on the sensor it lies."""
        return self.crop is not None and len(self.crop) == 4

    @property
    def _middle(self) -> tuple[float, float]:
        frame, sensor = self.frame, self.rig.sensor
        if self._is_aside:
            left, top = crop_corner(self.crop, self.rig)
            row = frame.row0 + (sensor.height_px / 2 - top) / self.bin
            return row, frame.col0 + (sensor.width_px / 2 - left) / self.bin
        return (frame.row0 + frame.row1) / 2, (frame.col0 + frame.col1) / 2

    def facing(self, name: str, *, living: bool) -> Camera:
        """Return the camera as it stands to a part: a part that moved is a camera that moved back.

        Parameters
        ----------
        name : str
            Name of the part's surface.
        living : bool
            Whether the part moves with the subject.
        """
        if not living:
            return self
        own = self.subject.parts_mm.get(name, (0.0, 0.0, 0.0))
        whole = (self.subject.x_mm, self.subject.y_mm, self.subject.z_mm)
        if not any(own) and not any(whole):
            return self
        pose = replace(
            self.pose,
            x_mm=self.pose.x_mm - whole[0] - own[0],
            y_mm=self.pose.y_mm - whole[1] - own[1],
            z_mm=self.pose.z_mm - whole[2] - own[2],
        )
        return replace(self, pose=pose)

    @property
    def even(self) -> bool:
        """Whether rays of neighbouring pixels lie evenly beside each other.

        On a curved field they do from the middle of the pupil alone.
        """
        return self.lens_rig.lens.field_curvature_per_mm == 0 or self.place_mm == (0.0, 0.0)

    def focused_mm(self, down: Axis, across: Axis) -> Axis | float:
        """Return the camera depth in focus over the field, given by tangents to the axis."""
        curvature = self.lens_rig.lens.field_curvature_per_mm
        if curvature == 0:
            return self.distance_mm
        sag_mm = curvature / 2 * self.distance_mm**2 * (down * down + across * across)
        return self.distance_mm + sag_mm

    def field_axes(self, window: Window) -> tuple[Floats, Floats]:
        """Return where a window's sample centres are in the field: tangents from the axis.

        Seen from the middle of the pupil, down (n, 1) and across (1, m).
        """
        down, across = self._field(*window.centres())
        return self._on_device(down), self._on_device(across)

    def ray_axes(self, window: Window) -> tuple[Floats, Floats]:
        """Return the tangents of the rays of a window's sample centres.

        Down (n, 1) and across (1, m) where rays lie evenly, else (n, m) both.
        """
        down, across = self.rays_at(*window.centres())
        return self._on_device(down), self._on_device(across)

    def _on_device(self, axis: Doubles) -> Floats:
        """Return what was worked out in double precision as it goes into a view."""
        return sent(axis.astype(np.float32), self.xp)  # type: ignore[no-any-return]

    def rays_at(self, row: Doubles, col: Doubles) -> tuple[Doubles, Doubles]:
        """Return the tangents, down and across, of the rays of places in the picture, px."""
        down, across = self._field(row, col)
        x, y = self.place_mm
        if x == y == 0:
            return down, across
        # From elsewhere in the pupil a pixel shows the same point in focus.
        distance = self.focused_mm(down, across)
        return down - y / distance, across - x / distance

    def _field(self, row: Doubles, col: Doubles) -> tuple[Doubles, Doubles]:
        row_mid, col_mid = self._middle
        return (row - row_mid) / self.focal_px, (col - col_mid) / self.focal_px

    def directions(self, window: Window) -> tuple[Floats, Floats, Floats]:
        """Return the rays of a window's samples, scaled to unit depth along the optical axis.

        The object point at camera depth Z on a ray is ``pupil_mm + Z * direction``.
        """
        down, across = self.ray_axes(window)
        R = self.rotation.astype(np.float32)
        if np.array_equal(R, np.eye(3, dtype=np.float32)):
            return across, down, sent(np.ones((1, 1), np.float32), self.xp)
        return tuple(a * across + b * down + c for a, b, c in R.tolist())  # type: ignore[return-value]

    def project(self, points_mm: npt.ArrayLike) -> tuple[Doubles, Doubles, Doubles]:
        """Return row, column (pixel coordinates) and camera depth (mm) of points (..., 3)."""
        local = (np.asarray(points_mm) - self.pupil_mm) @ self.rotation
        depth = local[..., 2]
        down, across = local[..., 1] / depth, local[..., 0] / depth
        x, y = self.place_mm
        field = down, across
        for _ in range(1 if self.even else _FIELD_STEPS):
            distance = self.focused_mm(*field)
            field = down + y / distance, across + x / distance
        row_mid, col_mid = self._middle
        return self.focal_px * field[0] + row_mid, self.focal_px * field[1] + col_mid, depth
