"""What a scene says of a mesh of one's own: which file, how large, where, in what colours."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, model_validator
from pydantic.dataclasses import dataclass

from ....ground.types import Doubles, Floats
from ...own_files import OwnChecksum, OwnFile, OwnPath, known
from ...rig import STRICT
from ..texture.own_picture import linear_picture
from ..texture.plain import Flat
from .mesh_file import MeshData, mesh_data

Unit = Literal["um", "mm", "cm", "m", "inch"]
Vector = tuple[float, float, float]
#: mm in each unit that a file's numbers may be in.
UNITS_MM: dict[Unit, float] = {"um": 1e-3, "mm": 1.0, "cm": 10.0, "m": 1e3, "inch": 25.4}
#: Files have y up and z toward the viewer, as glTF 2.0 (section 3.4) says; a scene has neither.
_TO_SCENE = np.diag([1.0, -1.0, -1.0])


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class CornerColours:
    """The colours that the mesh's file has at its corners, evenly between them.

    8-bit colours of PLY and OBJ are taken as sRGB, those of glTF as linear light.
    """

    kind: Literal["corners"] = "corners"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class InnerPicture:
    """The picture that the mesh's file holds itself (GLB), by its texture coordinates."""

    kind: Literal["inside"] = "inside"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Wrapped:
    """A picture of one's own around the mesh, by its texture coordinates (UV).

    Parameters
    ----------
    file : str
        TIFF, PNG or JPEG, from the scene file's folder, as of textures of kind ``picture``.
        Beyond its edges it begins again.
    sha256 : str
        Checksum of the file. Left out, it is filled in by what is read; told, another content is
        refused.
    """

    file: OwnPath
    sha256: OwnChecksum = ""
    kind: Literal["wrapped"] = "wrapped"

    @model_validator(mode="after")
    def _readable(self) -> Wrapped:
        file = known(self.file, self.sha256)
        linear_picture(file)
        object.__setattr__(self, "sha256", file.sha256)
        return self


MeshTexture = Annotated[Flat | CornerColours | InnerPicture | Wrapped, Field(discriminator="kind")]


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class OwnMesh:
    """A mesh of one's own: a scan, or a shape from a modelling program.

    It hides itself as it does in truth: it is cut into pieces that do not, as the nominal camera
    sees it, and these are laid from far to near. A closed mesh is shown from outside; of any
    other both sides are shown, each lit from its own side. With normals in its file light
    changes evenly over its faces, without them each face is flat.

    Parameters
    ----------
    kind : {"mesh"}
    name : str
        Unique in the scene.
    file : str
        PLY, OBJ, GLB or glTF (with its data within), from the scene file's folder; 1 to 2 million
        triangles. What an OBJ file says of materials is not read.
    unit : {"um", "mm", "cm", "m", "inch"}
        That the numbers of its file are in. Either this or ``size_mm`` has to be given.
    size_mm : float
        Instead of a unit: the longest side of its box, before it is turned.
    centre_mm : (x, y, z)
        Where the middle of its box comes to lie.
    rotate_deg : (about x, about y, about z)
        Turns about its middle, one after the other, about the scene's axes: x to the right, y
        down, z away. Without a turn the file's x is to the right, its y up, its z toward the
        camera; [-90, 0, 0] sets up a file whose z is up.
    texture : MeshTexture
        Its colours.
    lit : bool
        Whether the scene's light shades it.
    living : bool
        Whether it moves with the subject.
    sha256 : str
        Checksum of the file. Left out, it is filled in by what is read; told, another content is
        refused.
    """

    kind: Literal["mesh"]
    name: str
    file: OwnPath
    unit: Unit | None = None
    size_mm: float | None = Field(default=None, gt=0)
    centre_mm: Vector = (0.0, 0.0, 0.0)
    rotate_deg: Vector = (0.0, 0.0, 0.0)
    texture: MeshTexture
    lit: bool = True
    living: bool = True
    sha256: OwnChecksum = ""

    @model_validator(mode="after")
    def _readable(self) -> OwnMesh:
        if (self.unit is None) == (self.size_mm is None):
            got = "neither" if self.unit is None else "both"
            raise ValueError(
                f"unit, size_mm: got {got}, allowed one of them: files of meshes do not say what "
                "their numbers are in"
            )
        file = known(self.file, self.sha256, "a mesh")
        found = mesh_data(file)
        object.__setattr__(self, "sha256", file.sha256)
        self._check_colours(found)
        largest = float(np.abs(placed_points(self)).max())
        if not largest <= _FARTHEST_MM:
            raise ValueError(
                f"{self.file}: got a corner {largest:.4g} mm from the scene's middle, allowed up "
                f"to {_FARTHEST_MM:g} mm"
            )
        return self

    def _check_colours(self, mesh: MeshData) -> None:
        kind = self.texture.kind
        if kind == "corners" and mesh.colours is None:
            raise ValueError(
                f"{self.file}: got no colours at its corners, allowed a mesh with them for "
                "texture kind 'corners'"
            )
        if kind in ("inside", "wrapped") and mesh.uv is None:
            raise ValueError(
                f"{self.file}: got no texture coordinates (UV), allowed a mesh with them for "
                f"texture kind {kind!r}"
            )
        if kind == "inside" and mesh.picture is None:
            raise ValueError(
                f"{self.file}: got no picture in it, allowed a GLB file with one for texture kind "
                "'inside'"
            )


#: A metre, as for other numbers of a scene.
_FARTHEST_MM = 1000.0


def rotation(spec: OwnMesh) -> Doubles:
    """Return what turns a file's directions into the scene's, (3, 3)."""
    turned = _TO_SCENE
    for axis, angle in enumerate(np.deg2rad(spec.rotate_deg)):
        cos, sin = np.cos(angle), np.sin(angle)
        one, two = ((1, 2), (2, 0), (0, 1))[axis]
        turn = np.eye(3)
        turn[[one, one, two, two], [one, two, one, two]] = cos, -sin, sin, cos
        turned = turn @ turned
    return turned


def placed_points(spec: OwnMesh) -> Doubles:
    """Return the corners of a mesh in object space, (n, 3) mm."""
    mesh = mesh_data(OwnFile(spec.file, spec.sha256))
    used = mesh.points[np.unique(mesh.faces)]
    low, high = used.min(axis=0), used.max(axis=0)
    if spec.unit is not None:
        scale = UNITS_MM[spec.unit]
    else:
        assert spec.size_mm is not None
        scale = spec.size_mm / float((high - low).max())
    return (mesh.points - (low + high) / 2) * scale @ rotation(spec).T + np.array(spec.centre_mm)


@lru_cache(maxsize=4)
def wrapped_picture(spec: OwnMesh) -> Floats:
    """Return the picture that goes around a mesh, linear light, (rows, cols, 3)."""
    if isinstance(spec.texture, Wrapped):
        return linear_picture(OwnFile(spec.texture.file, spec.texture.sha256))
    picture = mesh_data(OwnFile(spec.file, spec.sha256)).picture
    assert picture is not None
    return picture
