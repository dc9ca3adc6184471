"""A mesh where its scene has it, and the colour of any point of it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ....ground.types import Doubles, Floats
from ...own_files import OwnFile
from ..pattern import maps
from ..texture.plain import Flat
from .mesh_file import Numbers, mesh_data, welded
from .own_mesh import OwnMesh, placed_points, rotation, wrapped_picture


@dataclass(frozen=True, eq=False)
class PlacedMesh:
    """Triangles in object space, and what is needed to see them.

    Parameters
    ----------
    spec : OwnMesh
    points_mm : array (n, 3)
    faces : array (m, 3)
        Counter-clockwise from outside.
    welded : array (m, 3)
        The same with one corner for all that are at one place.
    face_normals : array (m, 3) of float32
        Unit, outward.
    normals : array (n, 3) of float32, or None
        Unit, outward, at corners; None where faces are flat.
    closed : bool
        Whether only its outside is shown.
    """

    spec: OwnMesh
    points_mm: Doubles
    faces: Numbers
    welded: Numbers
    face_normals: Floats
    normals: Floats | None
    closed: bool

    def normals_at(self, face: Numbers, weights: Doubles) -> Floats:
        """Return outward unit normals at points of faces, (k, 3).

        Parameters
        ----------
        face : array (k,)
        weights : array (3, k)
            Of each point, of the three corners.
        """
        if self.normals is None:
            return self.face_normals[face]
        x, y, z = _mixed(self.normals, self.faces[face], weights).T
        length = np.maximum(np.sqrt(x * x + y * y + z * z), np.float32(1e-12))
        return np.stack([x / length, y / length, z / length]).T

    def colours_at(self, face: Numbers, weights: Doubles, *, footprint_mm: float) -> Floats:
        """Return colours without the light on them, (k, 3), as `normals_at` takes points."""
        texture = self.spec.texture
        if isinstance(texture, Flat):
            return np.broadcast_to(np.array(texture.colour, np.float32), (len(face), 3))
        mesh = mesh_data(OwnFile(self.spec.file, self.spec.sha256))
        corners = mesh.faces[face]
        if texture.kind == "corners":
            assert mesh.colours is not None
            return _mixed(mesh.colours, corners, weights)
        assert mesh.uv is not None
        u, v = _mixed(mesh.uv, corners, weights).T
        level = _level(self.spec, maps.cut_step(_texel_mm(self.spec), footprint_mm))
        across, down = (at.astype(np.float32) for at in (u - np.floor(u), -v - np.floor(-v)))
        return maps.read_linear(level, across, down)


def _mixed(values: npt.NDArray, corners: Numbers, weights: Doubles) -> npt.NDArray:
    """Return means of values at corners, (k, channels), which lie channel by channel in memory."""
    share = weights.astype(values.dtype)
    one, two, three = np.ascontiguousarray(corners.T)
    planes = np.empty((values.shape[1], len(one)), values.dtype)
    for k, channel in enumerate(np.ascontiguousarray(values.T)):
        np.multiply(share[0], channel.take(one), out=planes[k])
        planes[k] += share[1] * channel.take(two)
        planes[k] += share[2] * channel.take(three)
    return planes.T


@lru_cache(maxsize=4)
def placed(spec: OwnMesh) -> PlacedMesh:
    """Return the mesh of a scene where the scene has it."""
    mesh = mesh_data(OwnFile(spec.file, spec.sha256))
    points = placed_points(spec)
    a, b, c = (points[mesh.faces[:, k]] for k in range(3))
    across = np.cross(b - a, c - a)
    return PlacedMesh(
        spec=spec,
        points_mm=points,
        faces=mesh.faces,
        welded=welded(mesh.points, mesh.faces),
        face_normals=np.asarray(across / np.linalg.norm(across, axis=1, keepdims=True), np.float32),
        normals=None if mesh.normals is None else _turned(mesh.normals, rotation(spec)),
        closed=mesh.closed,
    )


def _turned(normals: Doubles, by: Doubles) -> Floats:
    return np.asarray(normals @ by.T, np.float32)


@lru_cache(maxsize=4)
def _texel_mm(spec: OwnMesh) -> float:
    """Return the side of a texel on the mesh, in the mean over its surface."""
    mesh = mesh_data(OwnFile(spec.file, spec.sha256))
    assert mesh.uv is not None
    points = placed_points(spec)
    a, b, c = (points[mesh.faces[:, k]] for k in range(3))
    area = float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum())
    (au, av), (bu, bv), (cu, cv) = (mesh.uv[mesh.faces[:, k]].T for k in range(3))
    in_picture = float(np.abs((bu - au) * (cv - av) - (cu - au) * (bv - av)).sum())
    rows, cols = wrapped_picture(spec).shape[:2]
    return float(np.sqrt(area / max(in_picture * rows * cols, 1e-12)))


@lru_cache(maxsize=4)
def _level(spec: OwnMesh, step: int | None) -> Floats:
    """Return the picture around a mesh for one pixel size, ready to be read."""
    seen = maps.band_limited(wrapped_picture(spec), step, "tile")
    return maps.padded(np.maximum(seen, 0), "tile")
