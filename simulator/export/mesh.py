"""Triangle meshes with a colour at each corner: how they are made, and how files hold them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from ...ground.types import Floats

Faces = npt.NDArray[np.int32]

_NO_FACES = np.empty((0, 3), np.int32)
_PLY_VERTEX = ("x", "y", "z", "r", "g", "b")
#: What a glossy corner has in a PLY file beside place and colour.
GLOSS_PROPERTIES = ("nx", "ny", "nz", "roughness", "index", "tr", "tg", "tb")
#: What else a corner has, in files of scenes that light comes through.
_PLY_CLEAR = ("transmit_r", "transmit_g", "transmit_b", "refraction")
_PLY_FACE = np.dtype([("corners", "u1"), ("corner", "<i4", 3)])
_PLY_HEADER = """ply
format binary_little_endian 1.0
{comments}element vertex {vertices}
{properties}element face {faces}
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
    transmittance : array (n, 3) of float32 or None
        Share of the light from behind that goes straight through; None: none does.
    refraction : array (n,) of float32 or None
        Refractive index of what a surface encloses, 0 where it is opaque or thin; None: 0 all over.
    """

    points_mm: Floats
    colours: Floats
    faces: Faces
    gloss: Floats | None = None
    transmittance: Floats | None = None
    refraction: Floats | None = None

    @property
    def clear(self) -> bool:
        """Whether light comes through any of it."""
        return self.transmittance is not None or self.refraction is not None


def joined(meshes: Sequence[Mesh]) -> Mesh:
    """Return one mesh that holds several."""
    empty = Mesh(np.empty((0, 3), np.float32), np.empty((0, 3), np.float32), _NO_FACES)
    meshes = [empty, *meshes]
    starts = np.cumsum([0] + [len(mesh.points_mm) for mesh in meshes[:-1]])
    shifted = [mesh.faces + np.int32(start) for mesh, start in zip(meshes, starts, strict=True)]
    whole = Mesh(
        np.concatenate([mesh.points_mm for mesh in meshes]),
        np.concatenate([mesh.colours for mesh in meshes]),
        np.concatenate(shifted),
    )
    # What no mesh has the whole has not: no index of a thin sheet.
    if any(mesh.gloss is not None for mesh in meshes):
        whole = replace(whole, gloss=np.concatenate([_gloss_of(mesh) for mesh in meshes]))
    straight, index = zip(*map(_through, meshes), strict=True)
    if any(mesh.transmittance is not None for mesh in meshes):
        whole = replace(whole, transmittance=np.concatenate(straight))
    if any(mesh.refraction is not None for mesh in meshes):
        whole = replace(whole, refraction=np.concatenate(index))
    return whole


def _through(mesh: Mesh) -> tuple[Floats, Floats]:
    """Return what comes through each corner, and the index behind it, where none is told too."""
    straight, index = mesh.transmittance, mesh.refraction
    count = len(mesh.points_mm)
    return (
        np.zeros((count, 3), np.float32) if straight is None else straight,
        np.zeros(count, np.float32) if index is None else index,
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

    One that light comes through has ``transmit_r transmit_g transmit_b refraction`` as well.

    Parameters
    ----------
    mesh : Mesh
    path : Path
    comments : sequence of str
        Lines for the header.
    """
    columns = dict(zip(_PLY_VERTEX, [*mesh.points_mm.T, *mesh.colours.T], strict=True))
    if mesh.gloss is not None:
        columns |= dict(zip(GLOSS_PROPERTIES, mesh.gloss.T, strict=True))
    if mesh.clear:
        straight, index = _through(mesh)
        columns |= dict(zip(_PLY_CLEAR, [*straight.T, index], strict=True))
    vertices = np.empty(len(mesh.points_mm), [(name, "<f4") for name in columns])
    for name, column in columns.items():
        vertices[name] = column
    faces = np.empty(len(mesh.faces), _PLY_FACE)
    faces["corners"] = 3
    faces["corner"] = mesh.faces
    header = _PLY_HEADER.format(
        comments="".join(f"comment {line}\n" for line in comments),
        vertices=len(vertices),
        properties="".join(f"property float {name}\n" for name in columns),
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

    Raises
    ------
    ValueError
        Light comes through the mesh: the format has no place for that.
    """
    if mesh.clear:
        raise ValueError(
            f"export {str(path)!r}: got a scene with surfaces that light comes through, allowed "
            "opaque ones in .obj; .ply holds both"
        )
    with path.open("w", encoding="ascii") as file:
        file.writelines(f"# {line}\n" for line in comments)
        corners = np.concatenate([mesh.points_mm, mesh.colours], axis=1)
        file.writelines(
            map("v %.7g %.7g %.7g %.6g %.6g %.6g\n".__mod__, map(tuple, corners.tolist()))
        )
        file.writelines(map("f %d %d %d\n".__mod__, map(tuple, (mesh.faces + 1).tolist())))
