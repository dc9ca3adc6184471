"""Synthetic handheld macro stacks with known truth, and scores for any stacking method.

What a user needs first is here; each name is loaded when it is asked for:

>>> import stacktruth
>>> rig = stacktruth.load_rig("field-2x")
>>> rig.lens.magnification
2.0

`stacktruth.simulator` makes frames and their truth, `stacktruth.metrics` turns arrays into numbers,
and `stacktruth.runners` runs methods, benchmarks and plans.
"""

from __future__ import annotations

from importlib import import_module, metadata
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .runners.dataset.reader import open_dataset
    from .runners.judge.scoring import score
    from .runners.plan import make_plan as plan
    from .simulator.compositing.render import render_view, view_depth
    from .simulator.handling.hands import Stance, load_stance
    from .simulator.handling.light import Light, load_light
    from .simulator.handling.sway import Subject, load_subject
    from .simulator.loading.scenes import load_scene
    from .simulator.pose import Pose
    from .simulator.rig import Rig, load_rig
    from .simulator.scene.scene import Scene
    from .simulator.shooting.shoot import Shoot, shoot
    from .simulator.stack.stackio import read_stack
    from .simulator.stack.stackwrite import write_stack

__all__ = [
    "Light",
    "Pose",
    "Rig",
    "Scene",
    "Shoot",
    "Stance",
    "Subject",
    "load_light",
    "load_rig",
    "load_scene",
    "load_stance",
    "load_subject",
    "metrics",
    "open_dataset",
    "plan",
    "read_stack",
    "render_view",
    "runners",
    "score",
    "shoot",
    "simulator",
    "view_depth",
    "write_stack",
]

#: Where each public name lives: module, and its name there.
_HOMES = {
    "Light": ("simulator.handling.light", "Light"),
    "Pose": ("simulator.pose", "Pose"),
    "Rig": ("simulator.rig", "Rig"),
    "Scene": ("simulator.scene.scene", "Scene"),
    "Shoot": ("simulator.shooting.shoot", "Shoot"),
    "Stance": ("simulator.handling.hands", "Stance"),
    "Subject": ("simulator.handling.sway", "Subject"),
    "load_light": ("simulator.handling.light", "load_light"),
    "load_rig": ("simulator.rig", "load_rig"),
    "load_scene": ("simulator.loading.scenes", "load_scene"),
    "load_stance": ("simulator.handling.hands", "load_stance"),
    "load_subject": ("simulator.handling.sway", "load_subject"),
    "open_dataset": ("runners.dataset.reader", "open_dataset"),
    "plan": ("runners.plan", "make_plan"),
    "read_stack": ("simulator.stack.stackio", "read_stack"),
    "render_view": ("simulator.compositing.render", "render_view"),
    "score": ("runners.judge.scoring", "score"),
    "shoot": ("simulator.shooting.shoot", "shoot"),
    "view_depth": ("simulator.compositing.render", "view_depth"),
    "write_stack": ("simulator.stack.stackwrite", "write_stack"),
}
_ROOMS = ("metrics", "runners", "simulator")


def __getattr__(name: str) -> Any:
    """Load a public name when it is asked for: a method's own process needs none of them."""
    if name in _ROOMS:
        return import_module(f".{name}", __name__)
    if name in _HOMES:
        home, there = _HOMES[name]
        return getattr(import_module(f".{home}", __name__), there)
    if name == "__version__":
        return metadata.version("stacktruth")
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    """List the public names, loaded or not."""
    return [*__all__, "__version__"]
