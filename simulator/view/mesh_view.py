"""The view of a piece of a mesh: which triangles rays meet, and how much of a pixel they cover."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from ...ground.arrays import sent
from ...ground.types import Doubles, Floats
from .. import optics
from ..rig import load_rig
from ..scene.mesh.own_mesh import OwnMesh
from ..scene.mesh.placed import PlacedMesh, placed
from ..scene.scene import Lighting, Scene
from .camera import Camera, Window
from .mesh_pieces import MeshPiece, pieces_of
from .shading import brightness, light_direction
from .triangles import Hits, hits, nearest, signed_coverage
from .view import NO_COLOUR, ONE_SAMPLE, Boxed, Sampling, View

#: Rays per side of a pixel, where it is in focus and elsewhere. Two would cost 2 dB, four gain 0.3.
_SHARP_RAYS, _BLURRED_RAYS = 3, 2
#: Pixels around a window that are seen as well: an edge's colour comes from so far.
_AROUND = 2
#: Samples that are worked on at once.
_MOST_SAMPLES = 1_000_000
#: Nearer than this nothing is seen, mm.
_NEAREST_MM = 1e-3
#: A piece goes on below a nearer one as far as the lens spreads its edge, and so many pixels more.
_BELOW_PX = 3.0
#: Beyond its edge a piece's depth goes on as on a grid of so many samples.
_GRID = 96
#: What many cameras see of a piece of up to so many faces is kept, of larger ones that of a few.
_SMALL = 30_000
#: Coverages nearer to none are none.
_NOTHING = 1e-6


@dataclass(frozen=True, eq=False)
class MeshPart(Boxed):
    """A piece of a mesh, ready to be seen.

    Parameters
    ----------
    mesh : PlacedMesh
    piece : MeshPiece
    lighting : Lighting
    number : int
        Of the piece, from the farthest.
    """

    mesh: PlacedMesh
    piece: MeshPiece
    lighting: Lighting
    number: int
    region: str = "plain"
    extended: bool = True
    detail_mm: float = np.inf
    translucent: bool = False
    image: None = None

    @property
    def name(self) -> str:
        """Name of the surface it belongs to."""
        return self.mesh.spec.name

    @property
    def living(self) -> bool:
        """Whether it moves with the subject."""
        return self.mesh.spec.living

    @cached_property
    def _used(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        """Return the numbers of its corners, and its faces by places among these."""
        used, faces = np.unique(self.mesh.faces[self.piece.faces], return_inverse=True)
        return used, faces.reshape(-1, 3)

    @cached_property
    def _edges(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], Doubles]:
        """Return its edges: the corners at their ends, which three each face has, which way."""
        welded = self.mesh.welded[self.piece.faces]
        start, end = welded.ravel(), np.roll(welded, -1, axis=1).ravel()
        ends = np.stack([np.minimum(start, end), np.maximum(start, end)], axis=1)
        edges, number = np.unique(ends, axis=0, return_inverse=True)
        return edges, number.reshape(-1, 3), np.where(start < end, 1.0, -1.0).reshape(-1, 3)

    @cached_property
    def _box(self) -> npt.NDArray[np.float64]:
        points = self.mesh.points_mm[self._used[0]]
        return np.array([points.min(axis=0), points.max(axis=0)])

    def box_mm(self) -> npt.NDArray[np.float64]:
        """Corners of a box around it."""
        return self._box.copy()

    def view(
        self,
        camera: Camera,
        window: Window,
        *,
        sampling: Sampling = ONE_SAMPLE,
        bare: bool = False,
    ) -> View:
        """Return what a pinhole sees of it in a window; every edge of it is exact.

        It is drawn on the host and sent to the camera's device: lists of hits are not for a device.
        """
        return self._view(camera, window, sampling, bare=bare).sent(camera.xp)

    def _view(self, camera: Camera, window: Window, sampling: Sampling, *, bare: bool) -> View:
        seen = self._seen(camera)
        around = window.grown(_AROUND * window.scale)
        coverage = seen.coverage(around)
        inner = (slice(_AROUND, -_AROUND),) * 2
        if not (coverage[inner] > _NOTHING).any():
            depth = seen.beyond(window)
            colour = NO_COLOUR if bare else np.zeros((*window.shape, 3), np.float32)
            return View(window, colour, np.zeros(window.shape, np.float32), depth)
        rays = 1 if bare else _rays(sampling, seen, window)
        total, count = self._sampled(camera, seen, around, rays, bare=bare)
        total, count = _spread(total, count)
        met = count > 0
        share: Floats = np.where(met, coverage, 0)[inner].astype(np.float32)
        means = (total / np.maximum(count, 1e-9))[:, *inner]
        depth = np.where(met[inner], means[3], seen.beyond(window)).astype(np.float32)
        if bare:
            return View(window, NO_COLOUR, share, depth)
        colour = np.moveaxis((means[:3] * share).astype(np.float32), 0, -1)
        return View(window, colour, share, depth)

    def _seen(self, camera: Camera) -> _Seen:
        small = len(self.piece.faces) <= _SMALL
        return (_small_seen_by if small else _large_seen_by)(self, _Eye(camera))

    def _sampled(
        self, camera: Camera, seen: _Seen, window: Window, rays: int, *, bare: bool
    ) -> tuple[Doubles, Doubles]:
        """Return sums over the rays of each pixel that meet it: light and depth; and how many."""
        rows, cols = window.shape
        total, count = np.zeros((4, rows, cols)), np.zeros((rows, cols))
        footprint = window.scale * camera.distance_mm / camera.focal_px / rays
        for row, met in seen.met(window, rays):
            values = [met.depth]
            if not bare:
                light = self.radiance(
                    self.piece.faces[met.face],
                    met.weights,
                    footprint_mm=footprint,
                    side=self.piece.side,
                )
                values = [*light.T, met.depth]
            at = met.place // (cols * rays) // rays * cols + met.place % (cols * rays) // rays
            size = (met.place.max(initial=0) // (cols * rays) // rays + 1) * cols
            here = slice(row, row + size // cols)
            for plane, value in zip(total[-len(values) :], values, strict=True):
                plane[here] += np.bincount(at, value, size).reshape(-1, cols)
            count[here] += np.bincount(at, minlength=size).reshape(-1, cols)
        return total, count

    def radiance(
        self, face: npt.NDArray[np.int64], weights: Doubles, *, footprint_mm: float, side: int
    ) -> Floats:
        """Return the radiance of points of faces of the mesh, (k, 3).

        Parameters
        ----------
        face : array (k,)
            Numbers of faces of the mesh.
        weights : array (3, k)
            Of each point, of its face's corners.
        footprint_mm : float
            Detail finer than this is not shown.
        side : {1, -1}
            Whether of their outer or inner side.
        """
        colour = self.mesh.colours_at(face, weights, footprint_mm=footprint_mm)
        if not self.mesh.spec.lit:
            return colour
        x, y, z = self.mesh.normals_at(face, weights).T
        lx, ly, lz = (side * light_direction(self.lighting)).astype(np.float32)
        light = brightness(self.lighting, x * lx + y * ly + z * lz)
        return colour * light.astype(np.float32)[:, None]


@dataclass(frozen=True, eq=False)
class _Eye:
    """A camera as a key: two of them are one where they are one object or say the same."""

    camera: Camera

    def __hash__(self) -> int:
        return hash((self.camera.rig, self.camera.pose, self.camera.place_mm))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Eye) and self.camera == other.camera


class _Seen:
    """The faces of a piece that a camera sees, where they are in its picture."""

    def __init__(self, part: MeshPart, camera: Camera) -> None:
        used, faces = part._used
        row, col, depth = camera.project(part.mesh.points_mm[used])
        self._camera = camera
        r, c, z = row[faces], col[faces], depth[faces]
        turn = (c[:, 1] - c[:, 0]) * (r[:, 2] - r[:, 0]) - (c[:, 2] - c[:, 0]) * (r[:, 1] - r[:, 0])
        shown = (part.piece.side * turn < 0) & (z.min(axis=1) > _NEAREST_MM)
        shown &= part.piece.below_mm <= _below_limit_mm(camera, z.mean(axis=1))
        self.face = np.flatnonzero(shown)
        self.row, self.col, self.depth = r[shown], c[shown], z[shown]
        edges, number, way = part._edges
        net = np.bincount(number[shown].ravel(), way[shown].ravel(), minlength=len(edges))
        outer = np.flatnonzero(net)
        self._weight = part.piece.side * net[outer].astype(np.float64)
        ends = edges[outer].ravel()
        row, col, _ = camera.project(part.mesh.points_mm[ends])
        self._ends = np.stack([row, col], axis=1).reshape(-1, 2, 2)

    def coverage(self, window: Window) -> Doubles:
        """Return the share of each pixel of a window that is covered."""
        ends = (self._ends - (window.row0, window.col0)) / window.scale
        covered = signed_coverage(ends[:, 0], ends[:, 1], self._weight, shape=window.shape)
        covered = np.clip(covered, 0, 1)
        # What sums of edges leave of nothing, and of all.
        covered[covered < _NOTHING] = 0
        covered[covered > 1 - _NOTHING] = 1
        return covered

    def met(self, window: Window, rays: int) -> Iterator[tuple[int, Hits]]:
        """Yield, strip by strip, its first row and the nearest hits of its rays."""
        rows, cols = window.shape
        per_px = rays / window.scale
        # Counted from the picture's first pixel, so that a ray is the same in any window.
        row, col = self.row * per_px - 0.5, self.col * per_px - 0.5
        top, bottom = row.min(axis=1), row.max(axis=1)
        first, left = (round(at * per_px) for at in (window.row0, window.col0))
        here = (col.max(axis=1) >= left) & (col.min(axis=1) < left + cols * rays)
        strip = max(1, _MOST_SAMPLES // (cols * rays * rays))
        for start in range(0, rows, strip):
            high = min(strip, rows - start) * rays
            low = first + start * rays
            some = np.flatnonzero(here & (bottom >= low) & (top < low + high))
            shape = (high, cols * rays)
            found = hits(row[some], col[some], self.depth[some], corner=(low, left), shape=shape)
            found = nearest(found, high * cols * rays)
            yield start, Hits(found.place, self.face[some[found.face]], found.weights, found.depth)

    @cached_property
    def _grid(self) -> tuple[Window, Floats]:
        """Return its depth on a coarse grid over all of it, continued beyond its edge."""
        edges = [f(at) for at, f in ((self.row.min(), np.floor), (self.row.max(), np.ceil))]
        edges += [f(at) for at, f in ((self.col.min(), np.floor), (self.col.max(), np.ceil))]
        row0, row1, col0, col1 = map(int, edges)
        longest = max(row1 - row0, col1 - col0, 1)
        scale = 2 ** max(0, int(np.ceil(np.log2(longest / _GRID))))
        window = Window(row0, row1, col0, col1, scale).grown(scale).at_scale(scale)
        rows, cols = window.shape
        sampled = np.full(rows * cols, np.nan, np.float32)
        for start, found in self.met(window, 1):
            sampled[found.place + start * cols] = found.depth
        depth = sampled.reshape(rows, cols)
        hole = np.isnan(depth)
        if hole.all():
            return window, np.full((rows, cols), self.depth.mean(), np.float32)
        at = ndimage.distance_transform_edt(hole, return_distances=False, return_indices=True)
        filled = depth[tuple(at)]
        return window, np.where(hole, ndimage.gaussian_filter(filled, 2.0), filled)

    def sent_beyond(self, window: Window) -> Floats:
        """Return the same as `beyond` on the camera's device."""
        return sent(self.beyond(window), self._camera.xp)  # type: ignore[no-any-return]

    def beyond(self, window: Window) -> Floats:
        """Return the depth of its surface in a window, coarsely, and beyond its edge."""
        if len(self.face) == 0:
            return np.full(window.shape, self._camera.distance_mm, np.float32)
        grid, depth = self._grid
        down, across = (
            (at - first) / grid.scale - 0.5
            for at, first in zip(window.centres(), (grid.row0, grid.col0), strict=True)
        )
        return _between(_between(depth, down.ravel()).T, across.ravel()).T


@lru_cache(maxsize=128)
def _small_seen_by(part: MeshPart, eye: _Eye) -> _Seen:
    """Return what a camera sees, which takes at most some 2 MB."""
    return _Seen(part, eye.camera)


@lru_cache(maxsize=4)
def _large_seen_by(part: MeshPart, eye: _Eye) -> _Seen:
    return _Seen(part, eye.camera)


def _between(values: Floats, at: Doubles) -> Floats:
    """Interpolate rows of an array evenly, and stay at the first and last beyond them."""
    at = np.clip(at, 0, len(values) - 1)
    low = np.minimum(np.floor(at).astype(np.int64), max(len(values) - 2, 0))
    share = (at - low).astype(np.float32)[:, None]
    return values[low] * (1 - share) + values[np.minimum(low + 1, len(values) - 1)] * share


def _below_limit_mm(camera: Camera, depth_mm: Doubles) -> Doubles:
    """Return how far a piece goes on below a nearer one: beyond that nothing of it shows."""
    rig = camera.lens_rig
    cone = optics.entrance_pupil_radius_mm(rig) * np.abs(
        1 - depth_mm / optics.focus_distance_mm(rig)
    )
    return 2.2 * cone + _BELOW_PX * depth_mm / camera.focal_px


def _rays(sampling: Sampling, seen: _Seen, window: Window) -> int:
    """Return how many rays a pixel's side takes: fewer where none of it is in focus."""
    parts = sampling.parts(seen.sent_beyond(window))
    sharp = sampling.in_focus is None or any(n > 1 or where is None for n, where in parts)
    sharp = sharp or sampling.sharp == sampling.blurred
    return _SHARP_RAYS if sharp else _BLURRED_RAYS


def _spread(total: Doubles, count: Doubles) -> tuple[Doubles, Doubles]:
    """Give pixels that no ray meets what is met beside them."""
    for _ in range(_AROUND):
        empty = count == 0
        if not empty.any() or empty.all():
            break
        mean = total / np.maximum(count, 1e-9)
        there = (~empty).astype(np.float64)
        near = ndimage.uniform_filter(there, 3, mode="constant")
        some = empty & (near > 1e-6)
        total, count = total.copy(), count.copy()
        for plane, value in zip(total, mean, strict=True):
            plane[some] = ndimage.uniform_filter(value * there, 3, mode="constant")[some]
        count[some] = near[some]
    return total, count


def mesh_parts(spec: OwnMesh, scene: Scene) -> list[MeshPart]:
    """Return the parts of a mesh of a scene, from far to near."""
    mesh = placed(spec)
    lens = load_rig(scene.rig).lens
    distance = float(
        optics.pupil_distance_mm(
            lens.focal_length_mm, lens.magnification, pupil_ratio=lens.pupil_ratio
        )
    )
    found = pieces_of(mesh, np.array([0.0, 0.0, -distance]))
    return [MeshPart(mesh, piece, scene.lighting, number) for number, piece in enumerate(found)]
