"""The light of a flash that rides on the camera, worked out in that camera's own axes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ...ground.types import Doubles, Floats
from .. import optics
from ..rig import Rig
from ..scene.scene import CameraFlash, Lighting
from .camera import Camera

#: Components x, y and z, of one shape or shapes that go together.
Triple = tuple[npt.NDArray, npt.NDArray, npt.NDArray]

#: Corners of the polygon that stands for a disc.
_CORNERS = 32
#: Points per side of a square at which its light is summed (Gauss and Legendre).
_SIDE = 3


@dataclass(frozen=True, eq=False)
class Diffuser:
    """A flash's front as the middle of the entrance pupil has it, in the camera's axes.

    Parameters
    ----------
    points_mm : array (n, 3)
        Where its light is taken to come from, for the light on a dull surface.
    shares : array (n,)
        Of the light from each; their sum is 1.
    corners_mm : array (m, 3)
        Around its edge, in order.
    facing : array (3,)
        Unit vector straight out of its front.
    area_mm2 : float
    level : float
        Irradiance at the point in focus on the axis in the nominal pose, over that of a source of
        radiance 1 / area: what brightness 1 stands for.
    """

    points_mm: Doubles
    shares: Doubles
    corners_mm: Doubles
    facing: Doubles
    area_mm2: float
    level: float

    @property
    def radiance(self) -> float:
        """Of its front, where a white dull surface in its light has 1."""
        return float(np.pi / (self.level * self.area_mm2))

    def seen_from(self, place_mm: tuple[float, float]) -> tuple[Doubles, Doubles]:
        """Return points and corners as a place in the pupil has them."""
        aside = np.array([*place_mm, 0.0])
        return self.points_mm - aside, self.corners_mm - aside


@lru_cache(maxsize=64)
def diffuser(flash: CameraFlash, rig: Rig) -> Diffuser:
    """Return a flash's front as it sits on a camera.

    Raises
    ------
    ValueError
        A flash that is not before the plane of focus.
    """
    lens = rig.lens
    distance = float(
        optics.pupil_distance_mm(
            lens.focal_length_mm, lens.magnification, pupil_ratio=lens.pupil_ratio
        )
    )
    if not flash.at_mm[2] < distance:
        raise ValueError(
            f"lighting: key 'flash.at_mm': got z = {flash.at_mm[2]:g}, allowed less than the "
            f"distance from the entrance pupil to the plane of focus, {distance:.4g} mm"
        )
    middle, focus = np.array(flash.at_mm), np.array([0.0, 0.0, distance])
    facing = (focus - middle) / np.linalg.norm(focus - middle)
    across = np.array([1.0, 0.0, 0.0]) - facing[0] * facing
    # A flash that looks along x has no side of its own there.
    if np.linalg.norm(across) < 1e-6:
        across = np.array([0.0, 0.0, 1.0]) - facing[2] * facing
    across /= np.linalg.norm(across)
    down = np.cross(facing, across)
    (places, shares), edge = _front(flash.shape)
    half = flash.size_mm / 2
    points, corners = (
        middle + half * (at[:, :1] * across + at[:, 1:] * down) for at in (places, edge)
    )
    area = half**2 * (np.pi if flash.shape == "disc" else 4.0)
    toward = points - focus
    square = (toward**2).sum(axis=1)
    # At the focus, on a surface that faces the camera.
    level = float(shares @ (-toward[:, 2] * -(toward @ facing) / square**2))
    return Diffuser(points, shares, corners, facing, area, level)


def _front(shape: str) -> tuple[tuple[Doubles, Doubles], Doubles]:
    """Return points with their shares over a front of half size 1, and the corners of its edge."""
    if shape == "disc":
        # Exact for all polynomials up to the fifth degree: the seven points of Radon (1948),
        # formula S2 5-1 in Stroud, Approximate Calculation of Multiple Integrals, 1971.
        turn = np.arange(6) * np.pi / 3
        ring = np.sqrt(2 / 3) * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        places = np.concatenate([np.zeros((1, 2)), ring])
        shares = np.array([0.25] + [0.125] * 6)
        turn = 2 * np.pi * (np.arange(_CORNERS) + 0.5) / _CORNERS
        # The polygon has the area of the disc.
        step = 2 * np.pi / _CORNERS
        wide = np.sqrt(step / np.sin(step))
        return (places, shares), wide * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    at, weight = np.polynomial.legendre.leggauss(_SIDE)
    x, y = (axis.ravel() for axis in np.meshgrid(at, at))
    shares = np.outer(weight, weight).ravel() / 4
    side = np.linspace(-1, 1, _CORNERS // 4, endpoint=False)
    edges = [(side, -1 + 0 * side), (1 + 0 * side, side), (-side, 1 + 0 * side)]
    edges.append((-1 + 0 * side, -side))
    corners = np.concatenate([np.stack(edge, axis=1) for edge in edges])
    return (np.stack([x, y], axis=1), shares), corners


def brightness(lighting: Lighting, camera: Camera, points: Triple, normals: Triple) -> Floats:
    """Return the light that a dull surface sends out in the light of a camera's flash.

    Parameters
    ----------
    lighting : Lighting
        With a flash.
    camera : Camera
    points, normals : (x, y, z)
        Of the surface, mm and unit vectors out of it, in the camera's own axes.

    Returns
    -------
    array of float32
        1 for a surface in focus on the axis of the nominal camera that faces it; at least the
        ambient share.
    """
    assert lighting.flash is not None
    front = diffuser(lighting.flash, camera.rig)
    places, _ = front.seen_from(camera.place_mm)
    axis = front.facing.astype(np.float32)
    total: npt.NDArray = np.zeros((), np.float32)
    for place, share in zip(places.astype(np.float32), front.shares, strict=True):
        way = tuple(at - point for at, point in zip(place, points, strict=True))
        square = way[0] * way[0] + way[1] * way[1] + way[2] * way[2]
        met = sum(one * normal for one, normal in zip(way, normals, strict=True))
        sent = -sum(one * part for one, part in zip(way, axis, strict=True))
        total = total + np.float32(share) * np.maximum(met, 0) * np.maximum(sent, 0) / square**2
    ambient = np.float32(lighting.ambient)
    return (ambient + (1 - ambient) / np.float32(front.level) * total).astype(np.float32)


def brightness_on(
    lighting: Lighting, camera: Camera, points_mm: npt.NDArray, normals: npt.NDArray
) -> Floats:
    """Return `brightness` of points and normals (..., 3) in object space."""
    local = (points_mm - camera.pupil_mm) @ camera.rotation
    turned = normals @ camera.rotation
    at, out = ((one[..., 0], one[..., 1], one[..., 2]) for one in (local, turned))
    return brightness(lighting, camera, at, out)


def middle_mm(flash: CameraFlash, camera: Camera) -> Doubles:
    """Return the middle of a flash's front in object space."""
    aside = np.array([*camera.place_mm, 0.0])
    return camera.pupil_mm + camera.rotation @ (np.array(flash.at_mm) - aside)


def in_axes_of(camera: Camera, vector: Triple) -> Triple:
    """Return the components of vectors of object space in a camera's own axes."""
    turn = camera.rotation
    return tuple(sum(turn[i, k] * vector[i] for i in range(3)) for k in range(3))  # type: ignore[return-value]
