"""A scene lit by a flash on the camera, as Mitsuba has it: its surfaces do not glow by themselves.

Its light is the sum of three pictures: what is sent out in the ambient light, what a dull skin
sends out in the light of the flash (``diffuse``), and what a glossy one mirrors of it
(``roughconductor`` with GGX facets and no absorption, which mirrors as a boundary between air
and a clear matter does). Light that goes from surface to surface is left out, as everywhere here.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from stacktruth.simulator.export.export import scene_meshes
from stacktruth.simulator.export.mesh import Mesh, write_ply
from stacktruth.simulator.scene.scene import Fibres, Lighting, Scene
from stacktruth.simulator.view.camera import Camera
from stacktruth.simulator.view.camera_flash import diffuser

CORNERS_PER_PX = 8
#: A texture sampled more coarsely has another mean, as its colours are no sums of its waves.
COARSEST_PX = 0.5
#: From the camera over a surface to the flash.
_DIRECT = {"type": "path", "max_depth": 2}
_BLACK = {"type": "diffuse", "reflectance": {"type": "rgb", "value": [0.0, 0.0, 0.0]}}


def backdrop(scene: Scene) -> dict[str, Any]:
    """Return what is behind everything."""
    return {"type": "constant", "radiance": {"type": "rgb", "value": list(scene.backdrop)}}


def lit_scenes(scene: Scene, camera: Camera) -> list[dict[str, Any]]:
    """Return the scenes whose pictures add up, without the sensor."""
    meshes = scene_meshes(scene, camera, corners_per_px=CORNERS_PER_PX, coarsest_px=COARSEST_PX)
    plain = scene_meshes(
        in_even_light(scene), camera, corners_per_px=CORNERS_PER_PX, coarsest_px=COARSEST_PX
    )
    # Places and normals as the flash has them, colours without any light.
    bare = [replace(lit, colours=own.colours) for lit, own in zip(meshes, plain, strict=True)]
    ambient = scene.lighting.ambient
    glowing = [replace(one, colours=one.colours * np.float32(ambient)) for one in bare]
    colour = {"type": "mesh_attribute", "name": "vertex_color"}
    glow = {"emitter": {"type": "area", "radiance": colour}, "bsdf": _BLACK}
    dull = {"bsdf": {"type": "diffuse", "reflectance": colour}}
    flash = {"flash": camera_flash(scene, camera), "integrator": _DIRECT}
    first = {"integrator": {"type": "path", "max_depth": 1}, "backdrop": backdrop(scene)}
    return [
        first | shapes([(one, glow) for one in glowing]),
        flash | shapes([(one, dull) for one in bare]),
        flash | shapes([(one, mirroring(one)) for one in bare]),
    ]


def in_even_light(scene: Scene) -> Scene:
    """Return a scene in which every surface has the light of its own colour, without gloss."""
    surfaces = tuple(
        one if isinstance(one, Fibres) else replace(one, gloss=None) for one in scene.surface
    )
    surfaces = tuple(
        replace(one, highlight=0.0) if hasattr(one, "highlight") else one for one in surfaces
    )
    return replace(scene, lighting=Lighting(ambient=1.0), surface=surfaces)


def mirroring(mesh: Mesh) -> dict[str, Any]:
    """Return how Mitsuba's surface mirrors as a mesh says, or is black."""
    if mesh.gloss is None:
        return {"bsdf": _BLACK}
    roughness, index, *tint = (float(value) for value in mesh.gloss[0, 3:])
    bsdf = {
        "type": "roughconductor",
        "distribution": "ggx",
        "alpha": roughness,
        "eta": index,
        "k": 0.0,
        "specular_reflectance": {"type": "rgb", "value": tint},
    }
    return {"bsdf": bsdf}


def shapes(meshes: list[tuple[Mesh, dict[str, Any]]]) -> dict[str, Any]:
    """Return meshes as Mitsuba's shapes, each with what it is made of."""
    import mitsuba as mi

    described = {}
    with tempfile.TemporaryDirectory() as folder:
        for number, (mesh, made_of) in enumerate(meshes):
            if not len(mesh.faces):
                continue
            path = Path(folder) / f"{number}.ply"
            write_ply(mesh, path)
            shape = {"type": "ply", "filename": str(path), "face_normals": mesh.gloss is None}
            described[f"part-{number}"] = mi.load_dict(shape | made_of)
    return described


def camera_flash(scene: Scene, camera: Camera) -> dict[str, Any]:
    """Return the flash as Mitsuba has it: a glowing disc or rectangle."""
    import mitsuba as mi

    flash = scene.lighting.flash
    assert flash is not None
    front = diffuser(flash, camera.rig)
    across = front.corners_mm[len(front.corners_mm) // 4] - front.corners_mm[0]
    across /= np.linalg.norm(across)
    axes = np.stack([across, np.cross(front.facing, across), front.facing], axis=1)
    placed = np.eye(4)
    placed[:3, :3] = camera.rotation @ axes * [flash.size_mm / 2, flash.size_mm / 2, 1]
    placed[:3, 3] = camera.pupil_mm + camera.rotation @ flash.at_mm
    radiance = (1 - scene.lighting.ambient) * front.radiance
    return {
        "type": "disk" if flash.shape == "disc" else "rectangle",
        "to_world": mi.ScalarTransform4f(placed),
        "emitter": {"type": "area", "radiance": {"type": "rgb", "value": [radiance] * 3}},
    }
