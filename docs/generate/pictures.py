"""Small pictures of the scene language: each texture, relief, mask, outline and surface."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import TypeAdapter

import stacktruth
from stacktruth.ground.pictures import encode_image
from stacktruth.ground.srgb import clipped_srgb
from stacktruth.ground.types import Floats
from stacktruth.simulator.own_files import beside
from stacktruth.simulator.rig import Lens, Rig, Sensor
from stacktruth.simulator.scene.relief.reliefs import Relief, height_mm
from stacktruth.simulator.scene.scene import Lighting, Outline, Scene, Surface
from stacktruth.simulator.scene.texture.masks import Mask, cover
from stacktruth.simulator.scene.texture.textures import Texture, sample

EXAMPLES = Path(__file__).with_name("examples.toml")
_SIZE_MM, _PITCH_MM = (6.0, 4.0), 0.025
_SEED = 7
_PAPER = (0.45, 0.45, 0.45)
_RIG = Rig(
    name="swatch",
    lens=Lens(focal_length_mm=60, f_number=16, magnification=1),
    sensor=Sensor(width_px=240, height_px=160, pitch_um=25),
)


def examples() -> dict[str, dict[str, str]]:
    """Return the text of each example, by part of the language and kind."""
    return tomllib.loads(EXAMPLES.read_text(encoding="utf-8"))


def draw(part: str, text: str) -> bytes:
    """Return the PNG file of an example."""
    values = beside(tomllib.loads(f"x = {text}")["x"], EXAMPLES.parent)
    light = _DRAWN[part](values)
    return encode_image(np.rint(255 * clipped_srgb(light)).astype(np.uint8), ".png")


def _grid() -> tuple[Floats, Floats]:
    """Return x and y of the picture's pixels, mm."""
    across, down = (np.arange(-n / 2, n / 2, _PITCH_MM) + _PITCH_MM / 2 for n in _SIZE_MM)
    x, y = np.meshgrid(across.astype(np.float32), down.astype(np.float32))
    return x, y


def _texture(values: Any) -> Floats:
    texture = TypeAdapter(Texture).validate_python(values)
    return sample(texture, *_grid(), footprint_mm=_PITCH_MM, seed=_SEED)


def _relief(values: Any) -> Floats:
    """Shade a relief by light from above left."""
    relief = TypeAdapter(Relief).validate_python(values)
    height = height_mm(relief, *_grid(), seed=_SEED)
    down, across = np.gradient(height, _PITCH_MM)
    normal = np.stack([-across, -down, np.ones_like(height)], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    toward = np.array([-0.5, -0.6, 0.62])
    shade = 0.08 + 0.6 * np.clip(normal @ (toward / np.linalg.norm(toward)), 0, 1)
    return np.repeat(shade[..., None], 3, axis=-1).astype(np.float32)


def _mask(values: Any) -> Floats:
    """Show what is covered in black."""
    mask = TypeAdapter(Mask).validate_python(values)
    x, y = _grid()
    share = cover(mask, _PITCH_MM, _SEED)(x.ravel(), y.ravel()).reshape(x.shape)
    return np.repeat((0.85 - 0.83 * share)[..., None], 3, axis=-1).astype(np.float32)


def _outline(values: Any) -> Floats:
    """Show where a sheet has substance, seen through a lens that is stopped down."""
    outline = TypeAdapter(Outline).validate_python(values)
    texture = {"kind": "octaves", "palette": ["#274a1c", "#6f8f4c"], "cell_mm": 0.4}
    sheet = {"kind": "sheet", "name": "sheet", "outline": outline, "texture": texture}
    return _rendered({**sheet, "lit": False})


def _rendered(surface: Any) -> Floats:
    scene = Scene(
        name="swatch",
        field_mm=_SIZE_MM,
        depth_mm=(-1, 1),
        backdrop=_PAPER,
        lighting=Lighting(),
        seed=_SEED,
        surface=(TypeAdapter(Surface).validate_python(surface),),
    )
    return stacktruth.render_view(scene, _RIG, quality="fast")


_DRAWN = {
    "textures": _texture,
    "reliefs": _relief,
    "masks": _mask,
    "outlines": _outline,
    "surfaces": _rendered,
}
