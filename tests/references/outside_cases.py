"""Scenes with the cameras that take them, which another renderer has drawn as well.

A row of ``mitsuba/cases.toml``, or of a table like it, names a scene file beside it (its own name,
or ``scene``) and says what differs from the nominal camera of the scene's rig: pose, lens, sensor,
focus, the place of the living subject and how far it moves during the exposure, and the part of the
frame that is compared.
"""

from __future__ import annotations

import tempfile
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import make_meshes
import numpy as np
import numpy.typing as npt

from stacktruth.simulator import Pose, Scene, load_rig, load_scene
from stacktruth.simulator.blur.smear import Path as Motion
from stacktruth.simulator.compositing.levels import LEVELS as QUALITIES
from stacktruth.simulator.compositing.render import render
from stacktruth.simulator.handling.sway import SubjectPose
from stacktruth.simulator.view.camera import Camera, Window
from stacktruth.simulator.view.parts import parts_of

Floats = npt.NDArray[np.float32]

FOLDER = Path(__file__).with_name("mitsuba")
#: Places of a moving subject during an exposure, evenly in time.
MOMENTS = 8

#: How our renderer is asked for each of its levels.
LEVELS: dict[str, dict[str, Any]] = {name: {"quality": name} for name in QUALITIES}


@dataclass(frozen=True)
class Case:
    """A scene and the camera that takes it.

    Parameters
    ----------
    name : str
    scene : Scene
    camera : Camera
    window : Window or None
        Part of the frame that is compared; None is all of it.
    sweep_mm : (x, y, z)
        How far the living subject moves during the exposure, about where the camera has it.
    """

    name: str
    scene: Scene
    camera: Camera
    window: Window | None = None
    sweep_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def part(self) -> Window:
        """The pixels that are compared."""
        return self.window or self.camera.frame

    def moments(self) -> list[Camera]:
        """Return the camera with the subject where it is at even times of the exposure."""
        if not any(self.sweep_mm):
            return [self.camera]
        subject = self.camera.subject
        cameras = []
        for share in (np.arange(MOMENTS) + 0.5) / MOMENTS - 0.5:
            x, y, z = (float(share * length) for length in self.sweep_mm)
            there = replace(
                subject, x_mm=subject.x_mm + x, y_mm=subject.y_mm + y, z_mm=subject.z_mm + z
            )
            cameras.append(replace(self.camera, subject=there))
        return cameras

    def motion(self) -> Motion | None:
        """Return the subject's motion in the picture, as in the plane of focus."""
        moments = self.moments()
        if len(moments) == 1:
            return None
        middle = np.array([self.camera.subject.x_mm, self.camera.subject.y_mm])
        away = np.array([[at.subject.x_mm, at.subject.y_mm] for at in moments]) - middle
        shift_px = away[:, ::-1] * self.camera.focal_px / self.camera.distance_mm
        return Motion(shift_px, np.full(len(moments), 1 / len(moments)))


def cases(table: str = "cases.toml") -> dict[str, Case]:
    """Return all cases of a table by name."""
    rows = tomllib.loads((FOLDER / table).read_text(encoding="utf-8"))["case"]
    scenes = [row.pop("scene", row["name"]) for row in rows]
    return {
        row["name"]: case_of(row, FOLDER / f"{scene}.toml")
        for row, scene in zip(rows, scenes, strict=True)
    }


def gloss_cases() -> dict[str, Case]:
    """Return the cases with gloss by name, which are none of the published table."""
    return cases("gloss_cases.toml")


def clear_cases() -> dict[str, Case]:
    """Return the cases by name whose surfaces light comes through."""
    return cases("clear.toml")


def mesh_cases() -> dict[str, Case]:
    """Return the cases whose scenes name meshes, which are made by formula first, by name."""
    with tempfile.TemporaryDirectory() as named:
        folder = Path(named)
        make_meshes.make(folder)
        table = tomllib.loads((FOLDER / "mesh-cases.toml").read_text(encoding="utf-8"))
        found = {}
        for row in table["case"]:
            copy = folder / f"{row['name']}.toml"
            copy.write_bytes((FOLDER / copy.name).read_bytes())
            found[row["name"]] = case_of(row, copy)
            # Read before its folder is gone.
            parts_of(found[row["name"]].scene)
    return found


def case_of(row: dict[str, Any], path: Path) -> Case:
    """Return the case of a row of ``cases.toml`` and a scene file."""
    row = dict(row)
    name = row.pop("name")
    row.pop("scene", None)
    scene = load_scene(path)
    rig = load_rig(scene.rig)
    rig = replace(
        rig,
        lens=replace(rig.lens, **row.pop("lens", {})),
        sensor=replace(rig.sensor, **row.pop("sensor", {})),
    )
    camera = Camera(
        rig,
        Pose(**row.pop("pose", {})),
        focus_mm=row.pop("focus_mm", 0.0),
        subject=SubjectPose(**row.pop("subject", {})),
    )
    window = row.pop("window", None)
    sweep = tuple(row.pop("sweep_mm", (0.0, 0.0, 0.0)))
    if row:
        raise ValueError(f"case {name!r}: got {sorted(row)}, which no case has")
    return Case(name, scene, camera, Window(*window) if window else None, sweep)


def our_picture(case: Case, **level: Any) -> Floats:
    """Render what is compared of a case, without diffraction: the outside renderer knows none."""
    whole = render(
        case.scene,
        case.camera,
        focus=(case.camera,),
        diffraction=False,
        motion=case.motion(),
        **level,
    )
    return whole[case.part.slices_in(case.camera.frame)]
