"""Where the camera is: displacement and rotation of the entrance pupil."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """Displacement of the entrance pupil from its nominal place, and rotation about it.

    The nominal entrance pupil is at (0, 0, -d), d being the distance to the plane of focus, and
    looks along +z. So ``z_mm`` is the camera's advance: it moves the plane of focus to z = z_mm.

    Parameters
    ----------
    x_mm, y_mm, z_mm : float
        To the right in the picture, down, and toward the subject, mm.
    pitch_mrad, yaw_mrad, roll_mrad : float
        Right-handed rotations about the camera's x, y and z axes, mrad: positive pitch looks up,
        positive yaw looks right, positive roll turns the camera clockwise (as the photographer
        sees it), so that the picture turns anticlockwise. Roll is applied first, then pitch,
        then yaw.

    Examples
    --------
    A camera turned to the right by 10 mrad looks along x as well as z:

    >>> Pose(yaw_mrad=10.0).rotation()[:, 2].round(4)
    array([0.01, 0.  , 1.  ])
    """

    x_mm: float = 0.0
    y_mm: float = 0.0
    z_mm: float = 0.0
    pitch_mrad: float = 0.0
    yaw_mrad: float = 0.0
    roll_mrad: float = 0.0

    @property
    def shift_mm(self) -> npt.NDArray[np.float64]:
        """The displacement as an array (x, y, z), mm."""
        return np.array([self.x_mm, self.y_mm, self.z_mm])

    def rotation(self) -> npt.NDArray[np.float64]:
        """Return the matrix that turns camera coordinates into object coordinates, shape (3, 3)."""
        pitch, yaw, roll = np.array([self.pitch_mrad, self.yaw_mrad, self.roll_mrad]) * 1e-3
        cx, sx, cy, sy, cz, sz = (
            np.cos(pitch),
            np.sin(pitch),
            np.cos(yaw),
            np.sin(yaw),
            np.cos(roll),
            np.sin(roll),
        )
        about_x = np.array([[1, 0, 0], [0, cx, -sx], [0, sx, cx]])
        about_y = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
        about_z = np.array([[cz, -sz, 0], [sz, cz, 0], [0, 0, 1]])
        return about_y @ about_x @ about_z


NOMINAL = Pose()
