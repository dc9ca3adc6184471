"""The gallery: every scene that is shipped, and some draws of every family of scenes."""

from __future__ import annotations

from pathlib import Path

import numpy as np

import stacktruth
from stacktruth.ground.pictures import encode_image
from stacktruth.ground.srgb import clipped_srgb
from stacktruth.simulator.compositing.render import render
from stacktruth.simulator.data import list_data_files
from stacktruth.simulator.steps import side_by_side
from stacktruth.simulator.view.camera import Camera

from . import words

#: Width of a picture: of a scene, and of one of several draws of a family.
_WIDE_PX, _DRAW_PX = 180, 140
_DRAWS = (1, 2)


def write(folder: Path) -> dict[str, str]:
    """Draw all scenes and families to a folder, and return the page's two parts."""
    scenes, families = list_data_files("scene"), list_data_files("family")
    draws = [f"{family}:{seed}" for family in families for seed in _DRAWS]
    made = side_by_side(_picture, [*scenes, *draws], workers=2)
    for name, picture in zip([*scenes, *draws], made, strict=True):
        (folder / _file(name)).write_bytes(picture)
    return {
        "gallery_scenes": "\n".join(map(_scene, scenes)),
        "gallery_families": "\n".join(map(_family, families)) or "None is shipped.\n",
    }


def _picture(name: str) -> bytes:
    """Return a scene, all in focus and through its own rig, as a PNG file."""
    scene = stacktruth.load_scene(name)
    rig = stacktruth.load_rig(scene.rig)
    wide_px = _DRAW_PX if ":" in name else _WIDE_PX
    camera = Camera(rig, bin=max(1, rig.sensor.width_px // wide_px))
    light = render(scene, camera, focus=(), quality="fast")
    return encode_image(np.rint(255 * clipped_srgb(light)).astype(np.uint8), ".png")


def _file(name: str) -> str:
    return f"gallery-{name.replace(':', '-')}.png"


def _scene(name: str) -> str:
    scene = stacktruth.load_scene(name)
    wide, high = scene.field_mm
    near, far = scene.depth_mm
    size = f"{wide:g} x {high:g} mm, {far - near:g} mm deep, made for `{scene.rig}`."
    picture = f"![{name}: {scene.title}](../generated/{_file(name)})"
    about = words.cell(scene.about)
    return f"### {name}\n\n{picture}\n\n{scene.title.capitalize()}. {about} {size}\n"


def _family(name: str) -> str:
    first = stacktruth.load_scene(f"{name}:{_DRAWS[0]}")
    pictures = " ".join(
        f"![{name}, draw {seed}](../generated/{_file(f'{name}:{seed}')})" for seed in _DRAWS
    )
    return f"### {name}\n\n{pictures}\n\n{words.cell(first.about or first.title)}\n"
