"""A scene's surfaces as parts in drawing order, from far to near."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ...ground.types import Doubles
from ..scene.mesh.own_mesh import OwnMesh
from ..scene.scene import Balls, Fibres, Scene, Sheet
from ..streams import stream
from .ball_view import BallPart
from .bundle import Bundle
from .clear_ball_view import ClearBall, behind
from .fibre_view import FibrePart
from .mesh_view import mesh_parts
from .sheet_view import SheetPart
from .view import Part

_FIBRE_POINTS = 17


@lru_cache(maxsize=16)
def parts_of(scene: Scene) -> tuple[Part, ...]:
    """Return all parts of a scene, from far to near.

    Surfaces keep the order of the scene file; the parts of a bundle are sorted by their depth, and
    the pieces of a mesh by what stands before what.
    """
    parts: list[Part] = []
    sheets: dict[str, SheetPart] = {}
    for surface in scene.surface:
        if isinstance(surface, Sheet):
            sheet = SheetPart(surface, scene.lighting, scene.seed + surface.seed)
            sheets[surface.name] = sheet
            parts.append(sheet)
        elif isinstance(surface, Fibres):
            parts.extend(_far_to_near(_fibres(surface, scene, sheets)))
        elif isinstance(surface, OwnMesh):
            parts.extend(mesh_parts(surface, scene))
        else:
            parts.extend(_far_to_near(_balls(surface, scene, tuple(parts))))
    return tuple(parts)


def _far_to_near(parts: list[Part]) -> list[Part]:
    return sorted(parts, key=lambda part: -float(part.box_mm()[:, 2].mean()))


def _balls(surface: Balls, scene: Scene, before: tuple[Part, ...]) -> list[Part]:
    painted = _painted_balls(surface, scene)
    if surface.refractive_index is None:
        return list(painted)
    return [
        ClearBall(
            # Of its own it has only the light's reflection.
            ball=replace(ball, colour=(0.0, 0.0, 0.0)),
            index=surface.refractive_index,
            tint=surface.tint,
            behind=behind(before),
            backdrop=scene.backdrop,
        )
        for ball in painted
    ]


def _painted_balls(surface: Balls, scene: Scene) -> list[BallPart]:
    radii = np.broadcast_to(np.array(surface.radius_mm), len(surface.at_mm))
    return [
        BallPart(
            name=surface.name,
            centre_mm=np.array(centre),
            radius_mm=float(radius),
            colour=surface.colour,
            highlight=surface.highlight,
            clear=surface.clear,
            lighting=scene.lighting,
            gloss=surface.gloss,
            living=surface.living,
        )
        for centre, radius in zip(surface.at_mm, radii, strict=True)
    ]


def _fibres(surface: Fibres, scene: Scene, sheets: dict[str, SheetPart]) -> list[Part]:
    rng = stream(scene.seed + surface.seed, scene.name, f"fibres {surface.name}")
    if surface.paths_mm:
        lines = [_resampled(np.array(path)) for path in surface.paths_mm]
    else:
        on = sheets[surface.on] if surface.on else None
        lines = [_grown_line(surface, on, rng) for _ in range(surface.count)]
    parts: list[Part] = []
    for fibre in _fibres_along(surface, scene, lines):
        parts.append(fibre)
        if surface.drop_um is not None:
            parts.append(_drop(surface, scene, fibre.points_mm[-1], rng))
    return parts


def _fibres_along(surface: Fibres, scene: Scene, lines: list[Doubles]) -> list[FibrePart]:
    """Return a fibre along each line; those of as many points share a bundle."""
    root, tip = surface.radius_um
    found: dict[int, FibrePart] = {}
    for length in {len(points) for points in lines}:
        numbers = [number for number, points in enumerate(lines) if len(points) == length]
        along = np.linspace(0, 1, length)
        points = np.stack([lines[number] for number in numbers])
        radii = np.broadcast_to((root + (tip - root) * along) * 1e-3, points.shape[:2])
        bundle = Bundle(points, radii)
        colours = np.outer(1 - along, surface.root_colour) + np.outer(along, surface.tip_colour)
        for place, number in enumerate(numbers):
            found[number] = FibrePart(
                name=surface.name,
                bundle=bundle,
                number=place,
                colours=colours,
                lighting=scene.lighting,
                living=surface.living,
            )
    return [found[number] for number in range(len(lines))]


def _drop(surface: Fibres, scene: Scene, tip: npt.NDArray, rng: np.random.Generator) -> BallPart:
    assert surface.drop_um is not None
    return BallPart(
        name=surface.name,
        centre_mm=tip,
        radius_mm=rng.uniform(*surface.drop_um) * 1e-3,
        colour=surface.drop_colour,
        highlight=surface.highlight,
        clear=1.0,
        lighting=scene.lighting,
        living=surface.living,
        region="fibres",
    )


def _grown_line(
    surface: Fibres, on: SheetPart | None, rng: np.random.Generator
) -> npt.NDArray[np.float64]:
    """Grow one centre line from a root in the bundle's ellipse."""
    radius, turn = np.sqrt(rng.uniform()), rng.uniform(0, 2 * np.pi)
    x = surface.centre_mm[0] + radius * np.cos(turn) * surface.spread_mm[0] / 2
    y = surface.centre_mm[1] + radius * np.sin(turn) * surface.spread_mm[1] / 2
    z = surface.centre_mm[2] if on is None else float(on.z_mm(np.array([x]), np.array([y]))[0])
    length = rng.uniform(*surface.length_mm)
    lean = np.deg2rad(rng.uniform(*surface.lean_deg))
    heading = np.deg2rad(rng.uniform(*surface.heading_deg))
    bend = surface.curl * np.pi / 2 * rng.uniform(0.3, 1.0)
    swerve = surface.curl * np.pi / 2 * rng.uniform(-0.5, 0.5)
    along = np.linspace(0, 1, _FIBRE_POINTS)
    leans = lean + bend * along**1.5
    headings = heading + swerve * along
    frame = np.diag([1.0, 1.0, -1.0])
    if on is not None and surface.upright == "surface":
        frame = _surface_frame(on, x, y)
    sideways, forwards = np.sin(leans) * np.cos(headings), np.sin(leans) * np.sin(headings)
    steps = np.stack([sideways, forwards, np.cos(leans)], axis=1) @ frame
    path = np.zeros((_FIBRE_POINTS, 3))
    path[1:] = np.cumsum((steps[1:] + steps[:-1]) / 2, axis=0) * length / (_FIBRE_POINTS - 1)
    return path + np.array([x, y, z])


def _resampled(path: npt.NDArray) -> npt.NDArray[np.float64]:
    """Return a path at equal steps of length, from its first point to its last."""
    steps = np.linalg.norm(np.diff(path, axis=0), axis=1)
    place = np.concatenate([[0], np.cumsum(steps)])
    at = np.linspace(0, place[-1], max(_FIBRE_POINTS, len(path)))
    return np.stack([np.interp(at, place, path[:, i]) for i in range(3)], axis=1)


def _surface_frame(on: SheetPart, x: float, y: float) -> npt.NDArray[np.float64]:
    """Return the axes of a point on a sheet, rows: along x, along y, straight out."""
    step = 0.02
    across = np.array([x - step, x + step, x, x], np.float32)
    down = np.array([y, y, y - step, y + step], np.float32)
    z = on.z_mm(across, down).astype(np.float64)
    out = np.array([z[1] - z[0], z[3] - z[2], -2 * step])
    out /= np.linalg.norm(out)
    along = np.array([1.0, 0.0, 0.0]) - out[0] * out
    along /= np.linalg.norm(along)
    return np.stack([along, np.cross(along, out), out])
