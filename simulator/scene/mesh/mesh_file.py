"""Meshes of one's own as files: PLY, OBJ and glTF, read by trimesh and checked."""

from __future__ import annotations

import io
import json
import re
import struct
import warnings
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ....ground.srgb import decode_srgb
from ....ground.types import Bools, Doubles, Floats
from ...own_files import OwnFile

Numbers = npt.NDArray[np.int64]

#: Most triangles of a mesh. Read, cut into pieces and seen, two million took 1.7 GB and 24 s.
MAX_FACES = 2_000_000
#: Endings of files that are read.
ENDINGS = (".ply", ".obj", ".glb", ".gltf")
#: What `trimesh` can be found by, told where it is missing.
_EXTRA = "pip install 'stacktruth[mesh]'"
#: A face is a line or a point where it is lower than this share of its longest side.
_NEEDLE = 1e-7
#: Faces are made smaller than this share of a mesh's size, as long as there are but so many.
_COARSEST, _REFINED = 1 / 48, 65_536
_SHOWN = 160
_CORNERS = 3


@dataclass(frozen=True, eq=False)
class MeshData:
    """Triangles as a file has them, in its own unit and axes.

    Parameters
    ----------
    points : array (n, 3)
    faces : array (m, 3)
        Corners, counter-clockwise from outside.
    normals : array (n, 3) or None
        Unit normals at corners, where the file has them.
    colours : array (n, 3) or None
        Linear light.
    uv : array (n, 2) or None
        Places in a picture: across from its left, up from its lower edge, in pictures.
    picture : array (rows, cols, 3) or None
        That the file holds itself, linear light.
    closed : bool
        Whether it has an inside that is never seen.
    """

    points: Doubles
    faces: Numbers
    normals: Doubles | None
    colours: Floats | None
    uv: Doubles | None
    picture: Floats | None
    closed: bool


@lru_cache(maxsize=4)
def mesh_data(file: OwnFile) -> MeshData:
    """Read a mesh.

    Raises
    ------
    ValueError
        It cannot be read, has no triangles or too many, or numbers that are none.
    """
    ending = Path(file.path).suffix.lower()
    if ending not in ENDINGS:
        raise ValueError(
            f"{file.path}: got ending {ending!r}, allowed {', '.join(ENDINGS[:-1])} or "
            f"{ENDINGS[-1]} for a mesh"
        )
    data = file.read("a mesh")
    _check_count(file.path, _declared_faces(data, ending))
    parts = _loaded(file.path, data, ending)
    return _checked(file.path, _joined(file.path, parts, ending, _says_normals(data, ending)))


def _check_count(path: str, faces: int) -> None:
    if faces > MAX_FACES:
        raise ValueError(
            f"{path}: got {faces / 1e6:.3g} million faces, allowed {MAX_FACES / 1e6:g} million: "
            "thin it out in the program that made it"
        )


def _declared_faces(data: bytes, ending: str) -> int:
    """Return how many faces a file says it has, before any are read; 0 where it does not tell."""
    if ending == ".obj":
        return data.count(b"\nf ")
    if ending == ".ply":
        found = re.search(rb"element\s+face\s+(\d+)", data[:65536])
        return int(found[1]) if found else 0
    about = _gltf_json(data, ending)
    counts = [one.get("count", 0) for one in about.get("accessors", []) if isinstance(one, dict)]
    return max((int(n) for n in counts if isinstance(n, int)), default=0) // _CORNERS


def _gltf_json(data: bytes, ending: str) -> dict[str, Any]:
    """Return what a glTF file says of itself; empty where it cannot be read.

    A GLB is 12 bytes of head, then length and type of the JSON that follows (glTF 2.0, 4.4).
    """
    try:
        if ending == ".glb":
            (length,) = struct.unpack("<I", data[12:16])
            data = data[20 : 20 + length]
        found = json.loads(data)
    except (ValueError, struct.error, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _says_normals(data: bytes, ending: str) -> bool:
    if ending == ".obj":
        return b"\nvn " in data
    if ending == ".ply":
        return re.search(rb"property\s+\w+\s+nx\s", data[:65536]) is not None
    meshes = _gltf_json(data, ending).get("meshes", [])
    return all("NORMAL" in part["attributes"] for mesh in meshes for part in mesh["primitives"])


def _loaded(path: str, data: bytes, ending: str) -> list[Any]:
    """Return the triangle meshes of a file, each where the file puts it."""
    try:
        import trimesh  # noqa: PLC0415 - an extra, which few scenes need
    except ImportError as error:
        raise ValueError(
            f"{path}: got a mesh without the package trimesh, allowed with it: {_EXTRA}"
        ) from error
    more: dict[str, Any] = {"skip_materials": True} if ending == ".obj" else {}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            scene = trimesh.load_scene(
                io.BytesIO(data), file_type=ending[1:], process=False, **more
            )
            found = scene.dump()
    except Exception as error:  # a reader of many formats raises what its parts do
        said = " ".join(str(error).split())[:_SHOWN] or type(error).__name__
        beside = " with its data within the file" if ending == ".gltf" else ""
        raise ValueError(
            f"{path}: got what cannot be read as {ending[1:].upper()} ({said}), allowed a mesh of "
            f"triangles{beside}"
        ) from error
    parts = [one for one in found if isinstance(one, trimesh.Trimesh) and len(one.faces)]
    if not parts:
        raise ValueError(f"{path}: got no triangles, allowed 1 to {MAX_FACES / 1e6:g} million")
    return parts


def _joined(path: str, parts: list[Any], ending: str, normals: bool) -> MeshData:
    """Return all parts as one; what only some of them have, none has."""
    points = [np.asarray(one.vertices, np.float64) for one in parts]
    starts = np.cumsum([0] + [len(one) for one in points[:-1]])
    faces = [np.asarray(one.faces, np.int64) for one in parts]
    for own, corners in zip(points, faces, strict=True):
        if corners.min() < 0 or corners.max() >= len(own):
            raise ValueError(
                f"{path}: got a face of corner {int(corners.max())}, allowed 0 to {len(own) - 1}"
            )
    pictures = [one for one in map(_picture, parts) if one is not None]
    if len(pictures) > 1:
        raise ValueError(f"{path}: got {len(pictures)} pictures in it, allowed 1")
    return MeshData(
        points=np.concatenate(points),
        faces=np.concatenate([own + start for own, start in zip(faces, starts, strict=True)]),
        normals=_all([one.vertex_normals for one in parts]) if normals else None,
        colours=_all([_colours(one, linear=ending in (".glb", ".gltf")) for one in parts]),
        uv=_all([_uv(one) for one in parts]),
        picture=pictures[0] if pictures else None,
        closed=False,
    )


def _all(values: list[Any]) -> Any:
    return None if any(one is None for one in values) else np.concatenate(values)


def _colours(part: Any, *, linear: bool) -> Floats | None:
    """Return the colours at corners: linear light in glTF 2.0 (section 3.7.2), else sRGB."""
    visual = part.visual
    if visual.kind == "vertex":
        values = np.asarray(visual.vertex_colors)
    else:
        values = np.asarray(getattr(visual, "vertex_attributes", {}).get("color", ()))
    if values.ndim != 2 or len(values) != len(part.vertices):
        return None
    share = values[:, :3] / (255.0 if values.dtype.kind in "ui" else 1.0)
    share = np.clip(share, 0, 1)
    return np.asarray(share if linear else decode_srgb(share, dtype=np.float64), np.float32)


def _uv(part: Any) -> Doubles | None:
    uv = getattr(part.visual, "uv", None)
    if uv is None or np.shape(uv) != (len(part.vertices), 2):
        return None
    return np.asarray(uv, np.float64)


def _picture(part: Any) -> Floats | None:
    material = getattr(part.visual, "material", None)
    image = getattr(material, "baseColorTexture", None)
    if image is None:
        return None
    light = decode_srgb(np.asarray(image.convert("RGB")) / 255.0, dtype=np.float64)
    return np.asarray(light, np.float32)


def _checked(path: str, mesh: MeshData) -> MeshData:
    """Return a mesh of sound triangles alone, wound alike, with its outside outward."""
    _check_count(path, len(mesh.faces))
    used = np.unique(mesh.faces)
    for what, values in (("places", mesh.points), ("normals", mesh.normals), ("UV", mesh.uv)):
        if values is not None and not np.isfinite(values[used]).all():
            wrong = int((~np.isfinite(values[used])).any(axis=1).sum())
            raise ValueError(
                f"{path}: got {wrong} corners with {what} that are NaN or infinite, allowed none"
            )
    faces = mesh.faces[~_without_area(mesh.points, mesh.faces)]
    if len(faces) == 0:
        raise ValueError(
            f"{path}: got {len(mesh.faces)} faces, all without area, allowed 1 or more with"
        )
    faces, closed = _oriented(mesh.points, faces)
    return _refined(replace(mesh, faces=faces, normals=_unit(mesh.normals), closed=closed))


def _refined(mesh: MeshData) -> MeshData:
    """Halve the sides of large faces, all alike: a mesh that hides itself is cut between faces."""
    import trimesh  # noqa: PLC0415

    used = mesh.points[np.unique(mesh.faces)]
    size = float(np.ptp(used, axis=0).max())
    while 4 * len(mesh.faces) <= _REFINED and _longest(mesh) > _COARSEST * size:
        told = {"normals": mesh.normals, "colours": mesh.colours, "uv": mesh.uv}
        told = {name: values for name, values in told.items() if values is not None}
        points, faces, more = trimesh.remesh.subdivide(
            mesh.points, mesh.faces, vertex_attributes=told
        )
        more["normals"] = _unit(more.get("normals"))
        mesh = replace(mesh, points=points, faces=np.asarray(faces, np.int64), **more)
    return mesh


def _longest(mesh: MeshData) -> float:
    corners = mesh.points[mesh.faces]
    return float(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max())


def _unit(normals: Doubles | None) -> Doubles | None:
    """Return normals of length 1, or none where any has no length."""
    if normals is None:
        return None
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    return normals / length if (length > 0).all() else None


def _without_area(points: Doubles, faces: Numbers) -> Bools:
    a, b, c = (points[faces[:, k]] for k in range(3))
    doubled = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    sides = [((p - q) ** 2).sum(axis=1) for p, q in ((a, b), (b, c), (c, a))]
    return doubled <= _NEEDLE * np.max(sides, axis=0)


def _oriented(points: Doubles, faces: Numbers) -> tuple[Numbers, bool]:
    """Return faces wound as their neighbours are, outward where there is an inside.

    Without an inside, or where no winding does for all (a Moebius strip), both sides are shown.
    """
    import trimesh  # noqa: PLC0415

    whole = welded(points, faces)
    solid = trimesh.Trimesh(points, whole, process=False)
    if not solid.is_winding_consistent:
        trimesh.repair.fix_winding(solid)
        turned = _is_turned(np.asarray(solid.faces), whole)
        faces = np.where(turned[:, None], faces[:, ::-1], faces)
    closed = bool(solid.is_watertight and solid.is_winding_consistent)
    if closed and solid.volume < 0:
        faces = faces[:, ::-1]
    return np.ascontiguousarray(faces), closed


def _is_turned(now: Numbers, before: Numbers) -> Bools:
    """Say which faces go round the other way than before."""
    same = np.zeros(len(now), bool)
    for by in range(_CORNERS):
        same |= (np.roll(now, by, axis=1) == before).all(axis=1)
    return ~same


def welded(points: Doubles, faces: Numbers) -> Numbers:
    """Return faces whose corners at one place are one corner: files split them where UV jumps."""
    _, first, same = np.unique(points, axis=0, return_index=True, return_inverse=True)
    return first[same.ravel()][faces]
