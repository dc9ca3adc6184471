"""The reference of scene files: each part of the language, its kinds, keys, and a picture."""

from __future__ import annotations

from pathlib import Path
from typing import Any, get_args

from stacktruth.simulator.scene.gloss import Gloss
from stacktruth.simulator.scene.mesh.own_mesh import CornerColours, InnerPicture, Wrapped
from stacktruth.simulator.scene.pattern.lattices import ScaleRows
from stacktruth.simulator.scene.pattern.patterns import Spiral, Veins
from stacktruth.simulator.scene.relief.boards import Bus, Layout
from stacktruth.simulator.scene.relief.reliefs import Relief
from stacktruth.simulator.scene.scene import (
    CameraFlash,
    Drawn,
    Lighting,
    Outline,
    Scene,
    SceneWindow,
    Surface,
)
from stacktruth.simulator.scene.texture.masks import Mask
from stacktruth.simulator.scene.texture.textures import Texture

from . import keys, pictures

_PARTS = {"surfaces": Surface, "textures": Texture, "reliefs": Relief, "masks": Mask}
_TITLES = {
    "surfaces": (
        "Surfaces",
        "`[[surface]]` tables, from far to near. `kind` is `sheet` if left out.",
    ),
    "textures": ("Textures", "The key `texture` of a sheet, and the parts of layered ones."),
    "reliefs": (
        "Reliefs",
        "The key `relief` of a sheet: height toward the camera over its own x and y, mm. "
        "Pictures are lit from above left.",
    ),
    "masks": ("Masks", "The key `mask` of a layered texture. What is covered is dark here."),
}
_SHARED = {"ScaleRows": ScaleRows, "Spiral": Spiral, "Veins": Veins, "Layout": Layout, "Bus": Bus}


def kinds(union: Any) -> dict[str, type]:
    """Return the classes of a part of the language by their kind."""
    return {
        cls.__pydantic_fields__["kind"].annotation.__args__[0]: cls
        for cls in get_args(get_args(union)[0])
    }


def page(folder: Path) -> str:
    """Write the pictures to a folder, and return the text that shows them."""
    shown = pictures.examples()
    text = ["## The scene\n", f"{keys.summary(Scene)}\n", keys.table(Scene)]
    text += ["### Lighting\n", keys.table(Lighting)]
    text += ["### CameraFlash\n", f"{keys.summary(CameraFlash)}\n", keys.table(CameraFlash)]
    text += ["### Drawn\n", keys.table(Drawn)]
    text += ["### Windows\n", f"{keys.summary(SceneWindow)}\n", keys.table(SceneWindow)]
    for part, union in _PARTS.items():
        title, about = _TITLES[part]
        found = kinds(union)
        if set(found) != set(shown[part]):
            raise ValueError(f"{part}: got examples of {set(shown[part])}, need {set(found)}")
        text += [f"## {title}\n", f"{about}\n"]
        for kind, cls in found.items():
            text += [f"### {title[:-1]}: {kind}\n", f"{keys.summary(cls)}\n"]
            text += [_example(folder, part, kind, shown[part][kind]), keys.table(cls)]
    outlines = get_args(Outline.__pydantic_fields__["kind"].annotation)
    if set(outlines) != set(shown["outlines"]):
        raise ValueError(f"outlines: got {set(shown['outlines'])}, need {set(outlines)}")
    text += ["## Outlines\n", f"{keys.summary(Outline)}\n", keys.table(Outline)]
    text += [_example(folder, "outlines", kind, shown["outlines"][kind]) for kind in outlines]
    text += ["## Colours of meshes\n"]
    text += ["The key `texture` of a mesh; one colour is `flat`, as above.\n"]
    for cls in (CornerColours, InnerPicture, Wrapped):
        text += [f"### {cls.__name__}\n", f"{keys.summary(cls)}\n", keys.table(cls)]
    text += ["## Gloss\n", f"{keys.summary(Gloss)}\n", keys.table(Gloss)]
    text += ["## Patterns that several share\n"]
    for name, cls in _SHARED.items():
        text += [f"### {name}\n", f"{keys.summary(cls)}\n", keys.table(cls)]
    return "\n".join(text)


def _example(folder: Path, part: str, kind: str, example: str) -> str:
    """Draw an example and return its picture with its text."""
    (folder / f"{part}-{kind}.png").write_bytes(pictures.draw(part, example))
    named = f"{part[:-1]} = {example}" if part != "surfaces" else f"surface = [{example}]"
    return f"![{part[:-1]}: {kind}](../generated/{part}-{kind}.png)\n\n```toml\n{named}\n```\n"
