"""Meshes of stored cases, made by formula: ``python tests/references/make_meshes.py FOLDER``."""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.int64]

#: Corners along the knot and around its tube: twice their product is the number of faces.
ALONG, AROUND = 625, 40


def knot(
    along: int = ALONG, around: int = AROUND, *, tube: float = 0.36
) -> tuple[Doubles, Doubles, Numbers, npt.NDArray[np.uint8]]:
    """Return a lumpy trefoil, whose strands hide each other.

    Returns
    -------
    points, normals : array (n, 3)
        y up and z toward the viewer; it is about 6 wide.
    faces : array (2 along around, 3)
    colours : array (n, 3)
        sRGB, in 8 bits.
    """
    t = 2 * np.pi * np.arange(along) / along
    line = np.stack(
        [np.sin(t) + 2 * np.sin(2 * t), np.cos(t) - 2 * np.cos(2 * t), -np.sin(3 * t)], axis=1
    )
    heading = _unit(np.roll(line, -1, axis=0) - np.roll(line, 1, axis=0))
    side = _unit(np.cross(heading, [0.0, 0.0, 1.0]))
    up = np.cross(side, heading)
    turn = (2 * np.pi * np.arange(around) / around)[None, :, None]
    out = np.cos(turn) * side[:, None] + np.sin(turn) * up[:, None]
    lumps = 1 + 0.12 * np.sin(11 * t)[:, None, None] * np.cos(3 * turn)
    points = (line[:, None] + tube * lumps * out).reshape(-1, 3)
    i, k = np.divmod(np.arange(along * around), around)
    right, below = (i + 1) % along * around + k, i * around + (k + 1) % around
    across = (i + 1) % along * around + (k + 1) % around
    number = np.arange(along * around)
    faces = np.concatenate(
        [np.stack([number, right, across], axis=1), np.stack([number, across, below], axis=1)]
    )
    if _volume(points, faces) < 0:
        faces = faces[:, ::-1]
    stripes = 0.5 + 0.5 * np.sin(24 * t[:, None] + 3 * np.sin(2 * turn[..., 0] + 5 * t[:, None]))
    share = stripes.reshape(-1, 1)
    colours = np.array([[70, 30, 20]]) * (1 - share) + np.array([[235, 190, 110]]) * share
    return points, _normals(points, faces), faces, np.rint(colours).astype(np.uint8)


def _unit(vectors: Doubles) -> Doubles:
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


def _volume(points: Doubles, faces: Numbers) -> float:
    a, b, c = (points[faces[:, k]] for k in range(3))
    return float((a * np.cross(b, c)).sum())


def _normals(points: Doubles, faces: Numbers) -> Doubles:
    """Return normals at corners: the mean of those of the faces around, by their area."""
    a, b, c = (points[faces[:, k]] for k in range(3))
    across = np.cross(b - a, c - a)
    total = np.zeros_like(points)
    for k in range(3):
        np.add.at(total, faces[:, k], across)
    return _unit(total)


def write_ply(
    path: Path, points: Doubles, normals: Doubles | None, faces: Numbers, colours: npt.NDArray
) -> None:
    """Write a mesh as binary PLY."""
    names = ["x", "y", "z"] + (["nx", "ny", "nz"] if normals is not None else [])
    kinds = [(name, "<f4") for name in names] + [(c, "u1") for c in ("red", "green", "blue")]
    corners = np.zeros(len(points), kinds)
    values = points if normals is None else np.concatenate([points, normals], axis=1)
    for k, name in enumerate(names):
        corners[name] = values[:, k]
    for k, name in enumerate(("red", "green", "blue")):
        corners[name] = colours[:, k]
    sides = np.zeros(len(faces), [("count", "u1"), ("corner", "<i4", 3)])
    sides["count"], sides["corner"] = 3, faces
    head = ["ply", "format binary_little_endian 1.0", f"element vertex {len(points)}"]
    head += [f"property {'float' if kind == '<f4' else 'uchar'} {name}" for name, kind in kinds]
    head += [f"element face {len(faces)}", "property list uchar int vertex_indices", "end_header"]
    path.write_bytes(("\n".join(head) + "\n").encode() + corners.tobytes() + sides.tobytes())


#: What makes each file that a stored case names.
MESHES = {"mesh-knot.ply": knot}


def make(folder: Path) -> None:
    """Write the meshes of stored cases into a folder."""
    for name, made in MESHES.items():
        write_ply(folder / name, *made())


def main() -> None:
    """Write them."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("folder", type=Path)
    make(parser.parse_args().folder)


if __name__ == "__main__":
    main()
