"""Renders scenes of known depth into handheld macro stacks, with their truth."""

from .compositing.render import render_view, view_depth
from .loading.scenes import load_scene
from .pose import Pose
from .rig import Rig, load_rig
from .scene.scene import Scene
from .shooting.shoot import Shoot, shoot

__all__ = [
    "Pose",
    "Rig",
    "Scene",
    "Shoot",
    "load_rig",
    "load_scene",
    "render_view",
    "shoot",
    "view_depth",
]
