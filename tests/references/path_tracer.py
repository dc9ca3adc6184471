"""Mitsuba's picture of a case: the exported mesh, seen through its ``thinlens`` sensor."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from functools import cached_property
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from lit_scenes import COARSEST_PX, CORNERS_PER_PX, backdrop, lit_scenes
from outside_cases import Case
from scipy import ndimage

from stacktruth.simulator import optics
from stacktruth.simulator.export.export import scene_meshes
from stacktruth.simulator.export.mesh import Mesh, write_ply
from stacktruth.simulator.scene.scene import Scene
from stacktruth.simulator.view.camera import Camera

Floats = npt.NDArray[np.float32]
#: Transmittances whose channels differ by less are grey.
_GREY = 1e-6
#: Surfaces that light may pass on its way, more than there are.
_DEEP = 16
Mask = npt.NDArray[np.bool_]

#: Samples per pixel of one pass; passes differ by their seed.
PASS = 1024
#: Seeds of the two pictures of a case are this far apart, more than the passes of one.
SECOND_SEED = 10_000
#: Neighbouring pixels whose depths differ by more than this many pixels' size lie at an edge.
_JUMP_PX = 6.0
#: A pixel this near an occluding edge is said to be near it, px.
NEAR_PX = 5.0


@dataclass(frozen=True, eq=False)
class Reference:
    """Two pictures of a case with independent noise.

    Parameters
    ----------
    first, second : array (rows, cols, 3) of float32
        Linear light.
    near_edge : array (rows, cols) of bool
        Within NEAR_PX of an edge where one surface hides another or itself, as a pinhole sees it.
    """

    first: Floats
    second: Floats
    near_edge: Mask

    @property
    def pair(self) -> tuple[Floats, Floats]:
        """Both, whose noises cancel in a product of errors."""
        return self.first, self.second

    @property
    def mean(self) -> Floats:
        """Both together."""
        return (self.first + self.second) / 2


class Tracer:
    """A case as Mitsuba has it.

    Parameters
    ----------
    case : Case
    variant : str
        Of Mitsuba.
    """

    def __init__(self, case: Case, *, variant: str) -> None:
        import mitsuba as mi

        mi.set_variant(variant)
        mi.set_log_level(mi.LogLevel.Error)
        self.case = case
        #: The meshes of the moment that was asked for last: they may be large.
        self._made: tuple[Camera, list[Mesh]] | None = None
        lit = case.scene.lighting.flash is not None
        if lit and self._clear:
            raise ValueError(f"case {case.name!r}: got clear surfaces in the light of a flash")
        described = lit_scenes if lit else self._glowing
        #: Whether the scenes of a moment differ by the channel that they are made for.
        self._by_channel = not lit and len(self._channels()) > 1
        #: For each moment the scenes whose pictures add up.
        self._moments = [
            [mi.load_dict(one | self._taken(camera)) for one in described(case.scene, camera)]
            for camera in case.moments()
        ]

    def picture(self, *, samples: int, seed: int) -> Floats:
        """Return a picture of so many samples per pixel, linear light."""
        import mitsuba as mi

        rounds = max(1, -(-samples // (PASS * len(self._moments))))
        spp = max(1, samples // (rounds * len(self._moments)))
        total = np.zeros((*self.case.part.shape, 3))
        seeds = count(seed)
        for _ in range(rounds):
            for moment in self._moments:
                if self._by_channel:
                    # A mask has one opacity for all colours.
                    at = next(seeds)
                    for channel, scene in enumerate(moment):
                        seen = np.array(mi.render(scene, spp=spp, seed=at))
                        total[..., channel] += seen[..., channel]
                else:
                    for scene in moment:
                        total += np.array(mi.render(scene, spp=spp, seed=next(seeds)))
        return (total / (rounds * len(self._moments))).astype(np.float32)

    def reference(self, *, samples: int, seed: int = 0) -> Reference:
        """Return two pictures of so many samples each, and where edges are."""
        first, second = (
            self.picture(samples=samples, seed=at) for at in (seed, seed + SECOND_SEED)
        )
        return Reference(first, second, self.near_edge())

    def near_edge(self) -> Mask:
        """Return where an occluding edge is near, from what a pinhole hits at pixel centres."""
        import mitsuba as mi

        camera = self.case.camera
        eye = self._sensor(camera) | {"type": "perspective"}
        for key in ("aperture_radius", "focus_distance"):
            del eye[key]
        eye["film"] |= {"pixel_format": "luminance"}
        what = {"type": "aov", "aovs": "away:depth,part:shape_index"}
        seen = mi.render(
            self._moments[0][0],
            spp=1,
            sensor=mi.load_dict(eye),
            integrator=mi.load_dict(what),
        )
        away, part = (np.array(seen)[..., k] for k in (-2, -1))
        part = np.where(away > 0, np.rint(part) + 1, 0)
        # A ray in some thousands slips through between two triangles.
        ring = np.ones((3, 3), bool)
        ring[1, 1] = False
        lost = (part == 0) & (ndimage.minimum_filter(part, footprint=ring) > 0)
        for values in (away, part):
            values[lost] = ndimage.median_filter(values, footprint=ring)[lost]
        jump = ndimage.maximum_filter(away, 3) - ndimage.minimum_filter(away, 3)
        other = ndimage.maximum_filter(part, 3) != ndimage.minimum_filter(part, 3)
        # A filter of 3 spans two steps from pixel to pixel.
        edge = other | (jump > 2 * _JUMP_PX * away / camera.focal_px)
        if not edge.any():
            return edge
        return ndimage.distance_transform_edt(~edge) <= NEAR_PX

    def _meshes(self, camera: Camera) -> list[Mesh]:
        """Return the exported meshes of one moment."""
        if self._made is None or self._made[0] is not camera:
            meshes = scene_meshes(
                self.case.scene, camera, corners_per_px=CORNERS_PER_PX, coarsest_px=COARSEST_PX
            )
            self._made = camera, meshes
        return self._made[1]

    @cached_property
    def _clear(self) -> bool:
        """Whether light comes through any surface."""
        return any(mesh.clear for mesh in self._meshes(self.case.camera))

    def _channels(self) -> range:
        """Return the channels that need a scene of their own."""
        shares = [mesh.transmittance for mesh in self._meshes(self.case.camera)]
        grey = all(one is None or np.ptp(one, axis=1).max() < _GREY for one in shares)
        return range(1 if grey else 3)

    def _taken(self, camera: Camera) -> dict[str, Any]:
        """Return how Mitsuba takes one moment, and what is behind everything."""
        return {"type": "scene", "sensor": self._sensor(camera)}

    def _glowing(self, scene: Scene, camera: Camera) -> list[dict[str, Any]]:
        """Return Mitsuba's descriptions of a scene whose surfaces send out light by themselves."""
        return [self._of_channel(scene, camera, channel) for channel in self._channels()]

    def _of_channel(self, scene: Scene, camera: Camera, channel: int) -> dict[str, Any]:
        """Return one that is right in a channel, and in all if none differs."""
        import mitsuba as mi

        # Light that only leaves surfaces needs no second meeting.
        depth = {"max_depth": _DEEP, "rr_depth": _DEEP} if self._clear else {"max_depth": 1}
        described: dict[str, Any] = {
            "integrator": {"type": "path", **depth},
            "backdrop": backdrop(scene),
        }
        with tempfile.TemporaryDirectory() as folder:
            for number, mesh in enumerate(self._meshes(camera)):
                if not len(mesh.faces):
                    continue
                if mesh.refraction is not None:
                    described[f"part-{number}"] = _ball(mesh)
                    continue
                path = Path(folder) / f"{number}.ply"
                write_ply(mesh, path)
                glow = {"type": "mesh_attribute", "name": "vertex_color"}
                shape = mi.load_dict(
                    {
                        "type": "ply",
                        "filename": str(path),
                        "face_normals": True,
                        "emitter": {"type": "area", "radiance": glow},
                        **({"surface": _surface(mesh)} if self._clear else {}),
                    }
                )
                if mesh.transmittance is not None:
                    opacity = (1 - mesh.transmittance[:, channel]).astype(np.float32)
                    shape.add_attribute("vertex_opacity", 1, opacity)
                described[f"part-{number}"] = shape
        return described

    def _sensor(self, camera: Camera) -> dict[str, Any]:
        """Return Mitsuba's description of our camera."""
        import mitsuba as mi

        height, width = camera.frame.shape
        part = self.case.part
        # Mitsuba's camera has x to the left and y up.
        placed = np.eye(4)
        placed[:3, :3] = camera.rotation * np.array([-1.0, -1.0, 1.0])
        placed[:3, 3] = camera.pupil_mm
        return {
            "type": "thinlens",
            "to_world": mi.ScalarTransform4f(placed),
            "aperture_radius": optics.entrance_pupil_radius_mm(camera.lens_rig),
            "focus_distance": camera.distance_mm,
            "fov": float(np.degrees(2 * np.arctan(width / 2 / camera.focal_px))),
            "fov_axis": "x",
            "near_clip": 1.0,
            "far_clip": 1e4,
            "film": {
                "type": "hdrfilm",
                "width": width,
                "height": height,
                "crop_offset_x": part.col0,
                "crop_offset_y": part.row0,
                "crop_width": part.shape[1],
                "crop_height": part.shape[0],
                "rfilter": {"type": "box"},
                "pixel_format": "rgb",
                "component_format": "float32",
            },
            # Well stratified in each pair of its dimensions, pixel and lens.
            "sampler": {"type": "multijitter", "sample_count": PASS},
        }


def _surface(mesh: Mesh) -> dict[str, Any]:
    """Return what light meets at a mesh: nothing is reflected, some may pass."""
    black = {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.0}}
    if mesh.transmittance is None:
        return black
    opacity = {"type": "mesh_attribute", "name": "vertex_opacity"}
    return {"type": "mask", "opacity": opacity, "nested": black}


def _ball(mesh: Mesh) -> dict[str, Any]:
    """Return the sphere through a mesh's corners, of what the mesh says that it encloses."""
    assert mesh.refraction is not None
    corners = mesh.points_mm.astype(np.float64)
    # |p|^2 = 2 p . c + (r^2 - |c|^2), for each corner p.
    known = np.concatenate([2 * corners, np.ones((len(corners), 1))], axis=1)
    *centre, rest = np.linalg.lstsq(known, (corners**2).sum(axis=1), rcond=None)[0]
    return {
        "type": "sphere",
        "center": [float(x) for x in centre],
        "radius": float(np.sqrt(rest + np.dot(centre, centre))),
        "surface": {
            "type": "dielectric",
            "int_ior": float(mesh.refraction[0]),
            "ext_ior": 1.0,
        },
    }
