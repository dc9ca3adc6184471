"""The faces of a mesh of one's own as glowing triangles, fine enough for the light on them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ...ground.types import Doubles, Floats
from ..view.mesh_view import MeshPart
from .mesh import Mesh, joined

#: Between corners of what is written normals turn at most so far, rad: even light between them is
#: off by an eighth of its square.
_MOST_TURN = 0.1
#: A face is cut into at most the square of this.
_MOST_CUTS = 64


def faces_of(part: MeshPart, eye_mm: Doubles, pitch_mm: float) -> Mesh:
    """Return the whole mesh that a part is a piece of, with the radiance of its corners.

    Of a surface that shows both sides each face is written once, by the side that the eye sees:
    few renderers can tell two faces in one place apart.

    Parameters
    ----------
    part : MeshPart
    eye_mm : array (3,)
        Entrance pupil.
    pitch_mm : float
        Distance between neighbouring corners where a picture goes around it.
    """
    cuts, sides = _cuts(part, pitch_mm), _sides(part, eye_mm)
    return joined(
        [
            _cut_faces(part, np.flatnonzero((cuts == n) & (sides == side)), int(n), pitch_mm, side)
            for side in (1, -1)
            for n in np.unique(cuts)
        ]
    )


def _sides(part: MeshPart, eye_mm: Doubles) -> npt.NDArray[np.int64]:
    """Return which side of each face is written: 1 for the outer, -1 for the inner one."""
    mesh = part.mesh
    if mesh.closed:
        return np.ones(len(mesh.faces), np.int64)
    sight = eye_mm - mesh.points_mm[mesh.faces[:, 0]]
    return np.where((mesh.face_normals * sight).sum(axis=1) >= 0, 1, -1)


def _cuts(part: MeshPart, pitch_mm: float) -> npt.NDArray[np.int64]:
    """Return into how many parts a side of each face is cut."""
    mesh = part.mesh
    corners = mesh.points_mm[mesh.faces]
    cuts = np.ones(len(mesh.faces))
    if mesh.normals is not None and mesh.spec.lit:
        normals = mesh.normals[mesh.faces]
        turn = [np.linalg.norm(normals[:, k] - normals[:, k - 1], axis=1) for k in range(3)]
        cuts = np.ceil(np.max(turn, axis=0) / _MOST_TURN)
    if mesh.spec.texture.kind in ("inside", "wrapped"):
        length = [np.linalg.norm(corners[:, k] - corners[:, k - 1], axis=1) for k in range(3)]
        cuts = np.maximum(cuts, np.ceil(np.max(length, axis=0) / pitch_mm))
    return np.clip(cuts, 1, _MOST_CUTS).astype(np.int64)


def _cut_faces(
    part: MeshPart, face: npt.NDArray[np.int64], count: int, pitch_mm: float, side: int
) -> Mesh:
    """Return some faces, each cut alike, as seen from one side."""
    mesh = part.mesh
    weights, inner = _grid(count)
    per_face = len(weights)
    corners = mesh.points_mm[mesh.faces[face]]
    points = np.einsum("kc,fcx->fkx", weights, corners)
    if side < 0:
        inner = inner[:, ::-1]
    colours: Floats = part.radiance(
        np.repeat(face, per_face),
        np.tile(weights, (len(face), 1)).T,
        footprint_mm=pitch_mm,
        side=side,
    )
    start = per_face * np.arange(len(face))[:, None, None]
    return Mesh(
        points.reshape(-1, 3).astype(np.float32),
        np.ascontiguousarray(colours, np.float32),
        (start + inner).reshape(-1, 3).astype(np.int32),
    )


def _grid(count: int) -> tuple[Doubles, npt.NDArray[np.int64]]:
    """Return the corners of a triangle cut into ``count`` squared, by their weights, and faces."""
    rows = [(i, k) for i in range(count + 1) for k in range(count + 1 - i)]
    number = {place: n for n, place in enumerate(rows)}
    weights = np.array([[count - i - k, i, k] for i, k in rows]) / count
    faces = []
    for i, k in rows:
        if i + k < count:
            faces.append([number[i, k], number[i + 1, k], number[i, k + 1]])
        if i + k < count - 1:
            faces.append([number[i + 1, k], number[i + 1, k + 1], number[i, k + 1]])
    return weights, np.array(faces)
