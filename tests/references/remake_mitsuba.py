"""Remake the outside renderer's pictures: ``python tests/references/remake_mitsuba.py [NAME]...``.

Each case of ``mitsuba/cases.toml`` is exported as a mesh, loaded by Mitsuba 3 and rendered through
its ``thinlens`` sensor; pictures go to ``mitsuba/NAME.npz`` and what they were made with to
``mitsuba/provenance.json``. The llvm variant needs LLVM's shared library (Debian: libllvm19); the
scalar variant gives the same pictures more slowly (``--variant scalar_rgb``).
"""

from __future__ import annotations

import argparse
import json
import tempfile
import tomllib
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from stacktruth.simulator import Pose, Scene, load_rig, load_scene, optics
from stacktruth.simulator.export.export import export_scene
from stacktruth.simulator.view.camera import Camera

Floats = npt.NDArray[np.float32]

FOLDER = Path(__file__).with_name("mitsuba")
CORNERS_PER_PX = 8
#: Samples per pixel of one pass; passes differ by their seed.
PASS = 1024


@dataclass(frozen=True)
class Case:
    """A scene and the camera that takes it.

    Parameters
    ----------
    name : str
    scene : Scene
    camera : Camera
    """

    name: str
    scene: Scene
    camera: Camera


def cases() -> dict[str, Case]:
    """Return all cases by name."""
    table = tomllib.loads((FOLDER / "cases.toml").read_text(encoding="utf-8"))
    found = {}
    for row in table["case"]:
        scene = load_scene(FOLDER / f"{row['name']}.toml")
        camera = Camera(load_rig(scene.rig), Pose(**row.get("pose", {})))
        found[row["name"]] = Case(row["name"], scene, camera)
    return found


def export(case: Case, path: Path) -> None:
    """Write the mesh of a case."""
    pitch = case.camera.distance_mm / case.camera.focal_px / CORNERS_PER_PX
    export_scene(case.scene, path, rig=case.camera.rig, pose=case.camera.pose, pitch_mm=pitch)


def mitsuba_scene(mesh: Path, case: Case) -> dict[str, Any]:
    """Return Mitsuba's description of a case; needs a variant to be set."""
    import mitsuba as mi

    camera = case.camera
    height, width = camera.frame.shape
    # Mitsuba's camera has x to the left and y up.
    placed = np.eye(4)
    placed[:3, :3] = camera.rotation * np.array([-1.0, -1.0, 1.0])
    placed[:3, 3] = camera.pupil_mm
    glow = {"type": "mesh_attribute", "name": "vertex_color"}
    return {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": 1},
        "sensor": {
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
                "rfilter": {"type": "box"},
                "pixel_format": "rgb",
                "component_format": "float32",
            },
            # Well stratified in each pair of its dimensions, pixel and lens.
            "sampler": {"type": "multijitter", "sample_count": PASS},
        },
        "backdrop": {
            "type": "constant",
            "radiance": {"type": "rgb", "value": list(case.scene.backdrop)},
        },
        "mesh": {
            "type": "ply",
            "filename": str(mesh),
            "face_normals": True,
            "emitter": {"type": "area", "radiance": glow},
        },
    }


def outside_picture(
    case: Case, *, samples: int, variant: str, seed: int = 0
) -> tuple[Floats, float]:
    """Render a case by Mitsuba.

    Returns
    -------
    picture : array (rows, cols, 3) of float32
        Linear light.
    noise : float
        Root mean square standard error of its values, from the scatter of the passes.
    """
    import mitsuba as mi

    mi.set_variant(variant)
    with tempfile.TemporaryDirectory() as folder:
        mesh = Path(folder) / "scene.ply"
        export(case, mesh)
        scene = mi.load_dict(mitsuba_scene(mesh, case))
    passes = max(2, samples // PASS)
    total = np.zeros((*case.camera.frame.shape, 3))
    square = np.zeros_like(total)
    for k in range(passes):
        one = np.array(mi.render(scene, spp=min(PASS, samples // passes), seed=seed + k))
        total += one
        square += one.astype(np.float64) ** 2
    picture = total / passes
    scatter = np.maximum(square / passes - picture**2, 0) / (passes - 1)
    return picture.astype(np.float32), float(np.sqrt(scatter.mean()))


def main() -> None:
    """Remake the named references, or all."""
    import mitsuba as mi

    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("names", nargs="*", metavar="NAME")
    parser.add_argument("--samples", type=int, default=16384, help="per pixel")
    parser.add_argument("--variant", default="llvm_ad_rgb")
    asked = parser.parse_args()
    record = FOLDER / "provenance.json"
    made = json.loads(record.read_text(encoding="utf-8")) if record.exists() else {}
    found = cases()
    for name in asked.names or found:
        picture, noise = outside_picture(found[name], samples=asked.samples, variant=asked.variant)
        np.savez_compressed(FOLDER / f"{name}.npz", picture=picture.astype(np.float16))
        made[name] = {
            "renderer": f"mitsuba {mi.__version__}",
            "variant": asked.variant,
            "samples_per_px": asked.samples,
            "noise_rms": float(f"{noise:.2g}"),
            "date": datetime.now(UTC).date().isoformat(),
            "command": f"python tests/references/remake_mitsuba.py {name} "
            f"--samples {asked.samples} --variant {asked.variant}",
        }
        record.write_text(json.dumps(made, indent=2) + "\n", encoding="utf-8")
        print(f"{name}: noise {noise:.1e} rms ({-20 * np.log10(noise):.1f} dB)")


if __name__ == "__main__":
    main()
