"""A scene as a mesh of glowing triangles, so that any renderer can check this one.

The light of a scene depends on its surfaces alone, but for a flash that rides on the camera, so
each corner of a triangle carries the radiance that it sends to every side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import singledispatch
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ...ground.types import Doubles, Floats
from .. import optics
from ..pose import NOMINAL, Pose
from ..rig import Rig, load_rig
from ..scene.scene import Scene
from ..view.ball_view import BallPart, ball_radiance, fade_angles, reflection_axis
from ..view.camera import Camera, Crop
from ..view.camera_flash import diffuser, middle_mm
from ..view.clear_ball_view import ClearBall
from ..view.fibre_view import FibrePart
from ..view.mesh_view import MeshPart
from ..view.parts import parts_of
from ..view.sheet_view import SheetPart
from ..view.shine import gloss_of
from ..view.view import Part, reach
from .mesh import GLOSS_PROPERTIES, Mesh, grid_faces, joined, write_obj, write_ply
from .outline_grid import corners_of, filling_grids
from .own_faces import faces_of

#: Pixels across the picture that an export is fine enough for, unless asked otherwise.
_PIXELS_ACROSS = 512
#: Corners stand this many to a pixel of that picture.
_CORNERS_PER_PX = 3
#: A picture's edge is taken this much farther out.
_SPARE = 1.05
_AROUND, _CAP_RINGS = 32, 4
#: Finest and coarsest step on a ball, rad.
_BALL_STEP = (0.02, 0.2)
#: What is seen in a clear ball has corners no farther apart, px: it is made smaller there.
_IN_BALL_PX = 0.5
#: Tangent of the farthest that a clear ball is taken to look aside, but for its rim.
_WIDE = 2.0
#: A triangle lower than this share of its longest side is a needle.
_NEEDLE = 1e-3
#: A blurred sheet needs no finer pitch than this share of its least blur radius.
_PITCH_PER_RADIUS = 1 / 24
_WRITERS = {".ply": write_ply, ".obj": write_obj}


def export_scene(
    scene: Scene,
    path: str | Path,
    *,
    rig: Rig | None = None,
    pose: Pose | None = None,
    crop: Crop | None = None,
    bin: int | None = None,
    pitch_mm: float | None = None,
) -> Mesh:
    """Write a scene's geometry and colours to a file.

    Sheets without an edge are cut to what the picture shows, out-of-focus surroundings included.

    Parameters
    ----------
    scene : Scene
    path : str or Path
        Ends in ``.ply`` (binary, float ``x y z r g b``) or ``.obj`` (text, ``v x y z r g b``).
        Object axes and mm; colours are linear radiance, 1 = saturation. Where a surface has gloss
        corners of a ``.ply`` have ``nx ny nz roughness index tr tg tb`` as well; what they mirror
        is not in the colours. A comment tells of a flash that rides on the camera. Where light
        comes through a scene, ``.ply`` alone: its corners have ``transmit_r transmit_g
        transmit_b`` (share of the light from behind that goes straight through, on top of the
        colour) and ``refraction`` (index of what the surface encloses, 0 where it is opaque or
        thin) as well.
    rig : Rig or None
        The rig whose picture the mesh is for; None is the scene's own.
    pose : Pose or None
        Of that picture; None is the nominal camera.
    crop : (width, height) or (width, height, left, top) or None
        Part of the sensor in real pixels: about its middle, or from a left and upper edge.
    bin : int or None
        Real pixels merged into one; None merges so many that the picture is at most 512 across.
    pitch_mm : float or None
        Distance between neighbouring corners on a sheet; None is a third of a pixel on the
        subject, or more where the sheet is blurred.

    Returns
    -------
    Mesh
        What was written.

    Raises
    ------
    ValueError
        A file name of another ending, a pitch that is not > 0, or ``.obj`` for a scene that light
        comes through.
    """
    path = Path(path)
    if path.suffix not in _WRITERS:
        raise ValueError(f"export {str(path)!r}: got ending {path.suffix!r}, allowed .ply or .obj")
    rig = rig or load_rig(scene.rig)
    if bin is None:
        bin = -(-(crop or (rig.sensor.width_px,))[0] // _PIXELS_ACROSS)
    camera = Camera(rig, pose or NOMINAL, crop=crop, bin=bin)
    mesh = scene_mesh(scene, camera, pitch_mm=pitch_mm)
    comments = (
        f"scene {scene.name}: mm, x right, y down, z away from the camera; linear radiance",
        "backdrop {:g} {:g} {:g}".format(*(scene.lighting.gain * one for one in scene.backdrop)),
        *_flash_told(scene, camera),
    )
    _WRITERS[path.suffix](mesh, path, comments=comments)
    return mesh


def _flash_told(scene: Scene, camera: Camera) -> list[str]:
    """Return in a line where a camera's flash is, which way it looks, and how bright it is."""
    flash = scene.lighting.flash
    if flash is None:
        return []
    front = diffuser(flash, camera.rig)
    facing = camera.rotation @ front.facing
    at, way = ("{:g} {:g} {:g}".format(*one) for one in (middle_mm(flash, camera), facing))
    radiance = scene.lighting.gain * (1 - scene.lighting.ambient) * front.radiance
    return [
        f"flash {flash.shape} {flash.size_mm:g} mm wide at {at} facing {way} radiance {radiance:g}"
    ]


def scene_mesh(scene: Scene, camera: Camera, *, pitch_mm: float | None = None) -> Mesh:
    """Return all of a scene as one mesh, fine enough for a camera's picture.

    Parameters as in `export_scene`.
    """
    return joined(scene_meshes(scene, camera, pitch_mm=pitch_mm))


def scene_meshes(
    scene: Scene,
    camera: Camera,
    *,
    pitch_mm: float | None = None,
    corners_per_px: float = _CORNERS_PER_PX,
    coarsest_px: float = np.inf,
) -> list[Mesh]:
    """Return each part of a scene as a mesh, from far to near, where the camera's subject is.

    Parameters as in `export_scene`, and

    Parameters
    ----------
    corners_per_px : float
        Corners to a pixel in focus, where no pitch is stated.
    coarsest_px : float
        Largest distance between corners where no pitch is stated, px, however blurred.
    """
    if pitch_mm is not None and not pitch_mm > 0:
        raise ValueError(f"pitch_mm must be > 0, got {pitch_mm}")
    meshes = []
    parts = parts_of(scene)
    balls = [part for part in parts if isinstance(part, ClearBall)]
    for part in parts:
        if part.living and not camera.subject.present:
            continue
        # A part that moved is a camera that moved back.
        eye = camera.facing(part.name, living=part.living)
        # What is seen in a ball is sharp there, and from farther aside.
        showing = [ball for ball in balls if any(part is one for one in ball.behind)]
        coarsest = min(coarsest_px, _IN_BALL_PX) if showing else coarsest_px
        pitch = pitch_mm or _pitch_mm(part, eye, corners_per_px, coarsest)
        mesh = part_mesh(part, eye, pitch, showing)
        moved = (camera.pupil_mm - eye.pupil_mm).astype(np.float32)
        colours = mesh.colours
        if scene.lighting.gain != 1:
            colours = np.float32(scene.lighting.gain) * colours
        meshes.append(replace(mesh, points_mm=mesh.points_mm + moved, colours=colours))
    return meshes


def _pitch_mm(part: Part, camera: Camera, corners_per_px: float, coarsest_px: float) -> float:
    """Return the distance between corners that shows all that the lens lets through."""
    _, nearest, farthest = reach(part, camera)
    depth = max(nearest, min(farthest, camera.distance_mm))
    least_blur = optics.cone_radius_mm(camera.lens_rig, depth)
    pixel = depth / camera.focal_px
    return max(pixel / corners_per_px, min(least_blur * _PITCH_PER_RADIUS, coarsest_px * pixel))


@singledispatch
def part_mesh(
    part: Any, camera: Camera, pitch_mm: float, showing: Sequence[ClearBall] = ()
) -> Mesh:
    """Return one part of a scene as a mesh, with what of it is seen in clear balls before it."""
    raise TypeError(f"not a part of a scene: {part!r}")


@part_mesh.register
def _(part: SheetPart, camera: Camera, pitch_mm: float, showing: Sequence[ClearBall] = ()) -> Mesh:
    area = _in_sight(part, camera)
    for ball in showing:
        seen = _in_ball(part, ball)
        area = np.stack([np.minimum(area[0], seen[0]), np.maximum(area[1], seen[1])])
    if part.spec.outline.kind == "everywhere":
        (u0, v0), (u1, v1) = area
        corners = np.array([[u0, v0], [u1, v0], [u1, v1], [u0, v1]])
    else:
        corners = corners_of(part.spec.outline)
    patches = filling_grids(corners, pitch_mm, within_mm=area)
    return joined([_patch(part, u, v, pitch_mm, camera) for u, v in patches])


def _in_sight(part: SheetPart, camera: Camera) -> Doubles:
    """Return what a picture shows of a sheet's own plane, ((u0, v0), (u1, v1))."""
    row, col = camera.frame.shape
    edge = np.array([[x, y, 1.0] for x in (-col / 2, col / 2) for y in (-row / 2, row / 2)])
    edge[:, :2] *= _SPARE / camera.focal_px
    turn = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    circle = _SPARE * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    seen = []
    for z in part.bounds_mm():
        for direction in edge @ camera.rotation.T:
            depth = (z - camera.pupil_mm[2]) / direction[2]
            at = camera.pupil_mm[:2] + depth * direction[:2]
            aside = optics.cone_radius_mm(camera.lens_rig, depth)
            seen.append(at + aside * circle)
    own = np.stack(part.own(*np.concatenate(seen).T), axis=1)
    return np.stack([own.min(axis=0), own.max(axis=0)])


def _in_ball(part: SheetPart, ball: ClearBall) -> Doubles:
    """Return what a clear ball shows of a sheet's own plane, all but its rim: as `_in_sight`."""
    x, y, z = ball.ball.centre_mm
    aside = _WIDE * max(part.bounds_mm()[1] - z, ball.ball.radius_mm)
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * aside
    own = np.stack(part.own(*(square + np.array([x, y])).T), axis=1)
    return np.stack([own.min(axis=0), own.max(axis=0)])


def _patch(part: SheetPart, u: Doubles, v: Doubles, pitch_mm: float, camera: Camera) -> Mesh:
    """Return one grid of a sheet's points as a mesh."""
    turn = np.deg2rad(part.spec.rotate_deg)
    cos, sin = np.cos(turn), np.sin(turn)
    x0, y0, z0 = part.spec.centre_mm
    points = [x0 + cos * u - sin * v, y0 + sin * u + cos * v, z0 - part.height_mm(u, v)]
    colours = part.painted(u, v, pitch_mm) * part.light_at(u, v, pitch_mm, camera)[..., None]
    slopes = part.slopes(u, v, pitch_mm)
    out = part.upright(slopes)
    return replace(
        _mesh(np.stack(points, axis=-1), colours),
        gloss=_gloss(part, np.stack(np.broadcast_arrays(*out), axis=-1)),
        transmittance=(
            part.transmitted(u, v, pitch_mm).reshape(-1, 3) if part.translucent else None
        ),
    )


@part_mesh.register
def _(part: FibrePart, camera: Camera, pitch_mm: float, showing: Sequence[ClearBall] = ()) -> Mesh:
    turn = 2 * np.pi * np.arange(_AROUND + 1) / _AROUND
    sideways, toward = part.frames(camera.pupil_mm)
    # Around the fibre from its right over the side toward the camera.
    around = (
        np.cos(turn)[None, :, None] * sideways[:, None]
        + np.sin(turn)[None, :, None] * toward[:, None]
    )
    # Polygons as wide as the circle, in the mean over their turns.
    radius = part.radii_mm * (np.pi / _AROUND) / np.sin(np.pi / _AROUND)
    heading = np.cross(toward, sideways)
    rise = np.linspace(-np.pi / 2, np.pi / 2, 2 * _CAP_RINGS + 1)
    last = len(radius) - 1
    rings = [(0, angle) for angle in rise[:_CAP_RINGS]]
    rings += [(k, 0.0) for k in range(last + 1)]
    rings += [(last, angle) for angle in rise[_CAP_RINGS + 1 :]]
    number = np.array([k for k, _ in rings])
    angle = np.array([angle for _, angle in rings])[:, None, None]
    normal = np.cos(angle) * around[number] + np.sin(angle) * heading[number][:, None]
    points = part.points_mm[number][:, None] + radius[number][:, None, None] * normal
    colours = part.radiance(np.broadcast_to(number[:, None], points.shape[:2]), normal, camera)
    return _mesh(points, colours)


@part_mesh.register
def _(part: ClearBall, camera: Camera, pitch_mm: float, showing: Sequence[ClearBall] = ()) -> Mesh:
    mesh = part_mesh(part.ball, camera, pitch_mm)
    return replace(mesh, refraction=np.full(len(mesh.points_mm), part.index, np.float32))


@part_mesh.register
def _(part: BallPart, camera: Camera, pitch_mm: float, showing: Sequence[ClearBall] = ()) -> Mesh:
    axis = reflection_axis(part, camera)
    across = np.cross(axis, [1.0, 0.0, 0.0])
    across /= np.linalg.norm(across)
    other = np.cross(axis, across)
    step = float(np.clip(pitch_mm / part.radius_mm, *_BALL_STEP))
    turn = np.linspace(0, 2 * np.pi, int(np.ceil(2 * np.pi / step)) + 1)
    fall = _latitudes(step)[:, None]
    ring = np.cos(turn)[:, None] * across + np.sin(turn)[:, None] * other
    normal = np.cos(fall)[..., None] * axis + np.sin(fall)[..., None] * ring
    points = part.centre_mm + part.radius_mm * normal
    mesh = _mesh(points, ball_radiance(part, normal, camera))
    return replace(mesh, gloss=_gloss(part, normal))


def _gloss(part: Part, normals: npt.NDArray) -> Floats | None:
    """Return how corners mirror a flash, as a mesh has it, by their unit normals (..., 3)."""
    gloss = gloss_of(part)
    if gloss is None:
        return None
    corners = np.empty((normals.size // 3, len(GLOSS_PROPERTIES)), np.float32)
    corners[:, :3] = normals.reshape(-1, 3)
    corners[:, 3:] = (gloss.roughness, gloss.index, *gloss.tint)
    return corners


@part_mesh.register
def _(part: MeshPart, camera: Camera, pitch_mm: float, showing: Sequence[ClearBall] = ()) -> Mesh:
    # All of a mesh comes with its first piece: where it is cut is nothing to another renderer.
    return joined([faces_of(part, camera.pupil_mm, pitch_mm)] if part.number == 0 else [])


def _latitudes(step: float) -> Doubles:
    """Return angles from the reflection's middle, dense where the reflection fades."""
    inner, outer = fade_angles()
    return np.concatenate(
        [
            np.linspace(0, inner, max(4, int(inner / step)))[:-1],
            np.linspace(inner, outer, 12)[:-1],
            np.linspace(outer, np.pi, int(np.ceil((np.pi - outer) / step)) + 1),
        ]
    )


def _mesh(points: npt.NDArray, colours: npt.NDArray) -> Mesh:
    """Return a grid of points as a mesh, without the needles at its tips and poles.

    A ray that meets a needle gets a colour that is all rounding error, or none.
    """
    rows, cols = points.shape[:2]
    corners = points.reshape(-1, 3).astype(np.float32)
    faces = grid_faces(rows, cols)
    a, b, c = (corners[faces[:, k]].astype(np.float64) for k in range(3))
    longest = np.max([((p - q) ** 2).sum(axis=1) for p, q in ((a, b), (b, c), (c, a))], axis=0)
    doubled_area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    colours = np.ascontiguousarray(colours.reshape(-1, 3), np.float32)
    return Mesh(corners, colours, faces[doubled_area > _NEEDLE * longest])
