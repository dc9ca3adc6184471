"""Triangle meshes with a colour at each corner: how they are made, and how files hold them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from ...ground.types import Floats

Faces = npt.NDArray[np.int32]

_NO_FACES = np.empty((0, 3), np.int32)
_PLY_VERTEX = np.dtype([(name, "<f4") for name in ("x", "y", "z", "r", "g", "b")])
#: What a glossy corner has in a PLY file beside place and colour.
GLOSS_PROPERTIES = ("nx", "ny", "nz", "roughness", "index", "tr", "tg", "tb")
_PLY_FACE = np.dtype([("corners", "u1"), ("corner", "<i4", 3)])
_PLY_HEADER = """ply
format binary_little_endian 1.0
{comments}element vertex {vertices}
property float x
property float y
property float z
property float r
property float g
property float b
{more}element face {faces}
property list uchar int vertex_indices
end_header
"""


@dataclass(frozen=True, eq=False)
class Mesh:
    """Triangles with colours at their corners.

    Parameters
    ----------
    points_mm : array (n, 3) of float32
    colours : array (n, 3) of float32
        Linear radiance.
    faces : array (m, 3) of int32
        Corners of each triangle, counter-clockwise as seen from outside in right-handed axes.
    gloss : array (n, 8) of float32 or None
        How each corner mirrors a flash, as `GLOSS_PROPERTIES` names it: unit normal, roughness,
        refractive index and tint; all 0 where it does not. None where no corner does.
    """

    points_mm: Floats
    colours: Floats
    faces: Faces
    gloss: Floats | None = None


def joined(meshes: Sequence[Mesh]) -> Mesh:
    """Return one mesh that holds several."""
    empty = Mesh(np.empty((0, 3), np.float32), np.empty((0, 3), np.float32), _NO_FACES)
    meshes = [empty, *meshes]
    starts = np.cumsum([0] + [len(mesh.points_mm) for mesh in meshes[:-1]])
    shifted = [mesh.faces + np.int32(start) for mesh, start in zip(meshes, starts, strict=True)]
    gloss = None
    if any(mesh.gloss is not None for mesh in meshes):
        gloss = np.concatenate([_gloss_of(mesh) for mesh in meshes])
    return Mesh(
        np.concatenate([mesh.points_mm for mesh in meshes]),
        np.concatenate([mesh.colours for mesh in meshes]),
        np.concatenate(shifted),
        gloss,
    )


def _gloss_of(mesh: Mesh) -> Floats:
    """Return how the corners of a mesh mirror a flash; none does of a dull one."""
    if mesh.gloss is not None:
        return mesh.gloss
    return np.zeros((len(mesh.points_mm), len(GLOSS_PROPERTIES)), np.float32)


def grid_faces(rows: int, cols: int) -> Faces:
    """Return the triangles of a grid of points, (2 (rows - 1) (cols - 1), 3).

    Where columns run to the right and rows down, the triangles face the viewer.
    """
    number = np.arange(rows * cols, dtype=np.int32).reshape(rows, cols)
    a, b, c, d = number[:-1, :-1], number[:-1, 1:], number[1:, :-1], number[1:, 1:]
    # The diagonals alternate, so that no direction is drawn better than another.
    odd = (np.add.outer(np.arange(rows - 1), np.arange(cols - 1)) % 2).astype(bool)
    first = np.where(odd[..., None], np.stack([a, c, d], -1), np.stack([a, c, b], -1))
    second = np.where(odd[..., None], np.stack([a, d, b], -1), np.stack([b, c, d], -1))
    return np.concatenate([first.reshape(-1, 3), second.reshape(-1, 3)])


def write_ply(mesh: Mesh, path: Path, *, comments: Sequence[str] = ()) -> None:
    """Write a mesh as binary PLY with float corners ``x y z r g b``, and gloss where it has some.

    Parameters
    ----------
    mesh : Mesh
    path : Path
    comments : sequence of str
        Lines for the header.
    """
    more = () if mesh.gloss is None else GLOSS_PROPERTIES
    kind = np.dtype([*_PLY_VERTEX.descr, *((name, "<f4") for name in more)])
    vertices = np.empty(len(mesh.points_mm), kind)
    if mesh.gloss is not None:
        for k, name in enumerate(more):
            vertices[name] = mesh.gloss[:, k]
    for k, axis in enumerate("xyz"):
        vertices[axis] = mesh.points_mm[:, k]
    for k, channel in enumerate("rgb"):
        vertices[channel] = mesh.colours[:, k]
    faces = np.empty(len(mesh.faces), _PLY_FACE)
    faces["corners"] = 3
    faces["corner"] = mesh.faces
    header = _PLY_HEADER.format(
        comments="".join(f"comment {line}\n" for line in comments),
        vertices=len(vertices),
        more="".join(f"property float {name}\n" for name in more),
        faces=len(faces),
    )
    with path.open("wb") as file:
        file.write(header.encode("ascii"))
        file.write(vertices.tobytes())
        file.write(faces.tobytes())


def write_obj(mesh: Mesh, path: Path, *, comments: Sequence[str] = ()) -> None:
    """Write a mesh as OBJ text with corners ``v x y z r g b``.

    Parameters
    ----------
    mesh : Mesh
    path : Path
    comments : sequence of str
        Lines for the top of the file.
    """
    with path.open("w", encoding="ascii") as file:
        file.writelines(f"# {line}\n" for line in comments)
        corners = np.concatenate([mesh.points_mm, mesh.colours], axis=1)
        file.writelines(
            map("v %.7g %.7g %.7g %.6g %.6g %.6g\n".__mod__, map(tuple, corners.tolist()))
        )
        file.writelines(map("f %d %d %d\n".__mod__, map(tuple, (mesh.faces + 1).tolist())))
