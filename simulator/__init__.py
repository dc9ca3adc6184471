"""Renders scenes of known depth into handheld macro stacks, with their truth."""

from simulator.pose import Pose
from simulator.render import render_view, view_depth
from simulator.rig import Rig, load_rig
from simulator.scene import Scene, load_scene
from simulator.shoot import Shoot, shoot

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
