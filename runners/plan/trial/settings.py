"""Settings drawn at random, and a card whose depth is the one that was planned for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ....simulator.handling.hands import load_stance
from ....simulator.handling.light import load_light
from ....simulator.handling.sway import load_subject
from ....simulator.rig import Rig, load_rig
from ....simulator.scene.scene import Scene, scene_of_text
from ..draw.setting import Setting
from ..draw.sharpness import Sharpness, lane_of, sharpness_for

#: First number of the seeds of settings; the planner was tried on others while it was made.
_SEEDS = 2026_1130
#: Of flat fields: the chance of a plan knows of no other, and its page says so.
_RIGS = ("field-1x", "field-2x", "field-5x")
#: Smallest and largest magnification, and the f-numbers below 2:1 and from it on.
_MAGNIFICATIONS = 0.5, 5.0
_LOW, _HIGH = (4.0, 5.6, 8.0, 11.0), (2.8, 4.0, 5.6)
_STANCES = ("standing", "elbows-tucked", "kneeling", "in-hand-stem", "braced", "stepped")
_LIGHTS = (
    *("flash-128th", "flash-32nd", "flash-sixteenth", "flash-eighth", "flash-quarter"),
    *("ambient-burst", "steady-lamp"),
)
_SUBJECTS = ("still", "still", "sheltered", "light-air")
#: Over what the stance has: by how much its ends are missed.
_MISSED = (0.0, 0.25, 1.0, 2.0)
_CHANCES = (0.5, 0.8, 0.9, 0.95)
#: Least and greatest depth over that which one frame holds.
_DEPTHS = 1.5, 16.0
#: Least and greatest width of the subject over the height that the picture shows, and how often it
#: is told.
_WIDTHS, _TOLD = (0.2, 0.9), 0.5
#: Error of a stop over the depth that one frame holds, on a support.
_STOPS = (0.0, 0.1, 0.3)


def random_setting(number: int) -> Setting:
    """Return one of many random settings; the same number gives the same one."""
    rng = np.random.default_rng([_SEEDS, number])
    rig = _rig(rng)
    magnification = rig.lens.magnification
    shown_mm = rig.sensor.height_px * rig.sensor.pitch_um * 1e-3 / magnification
    stance = load_stance(str(rng.choice(_STANCES)))
    error_mm = float(rng.choice(_MISSED)) * stance.start_error_mm
    width, told = rng.uniform(*_WIDTHS), rng.uniform() < _TOLD
    sharpness = _sharpness(rng, rig)
    drawn = Setting(
        rig=rig,
        stance=replace(stance, start_error_mm=error_mm, stop_error_mm=error_mm),
        light=load_light(str(rng.choice(_LIGHTS))),
        subject=load_subject(str(rng.choice(_SUBJECTS))),
        depth_mm=float(np.exp(rng.uniform(*np.log(_DEPTHS)))) * lane_of(rig, sharpness).total_mm,
        sharpness=sharpness,
        subject_mm=float(width * shown_mm) if told else None,
        chance=float(rng.choice(_CHANCES)),
    )
    stop = float(rng.choice(_STOPS)) * drawn.lane.total_mm
    if not drawn.goal.regular:
        return drawn
    approach = replace(stance.approach, step_error_mm=stop)
    return replace(drawn, stance=replace(drawn.stance, approach=approach))


def width_mm(setting: Setting) -> float:
    """Return how wide the subject of a setting is, mm."""
    framing = setting.framing
    return framing.half_width_mm if setting.subject_mm is None else setting.subject_mm


def card(setting: Setting) -> Scene:
    """Return a tilted card as wide as the subject: each depth wanted is in one of its columns.

    Its left edge is the nearest point, at z = 0; its right edge is as deep as was planned for.
    """
    wide, deep = width_mm(setting), setting.depth_mm
    text = f"""
name = "card"
field_mm = [{2 * wide}, {2 * wide}]
depth_mm = [0.0, {deep}]

[[surface]]
name = "card"
centre_mm = [0, 0, {deep / 2}]
relief = {{ kind = "slope", slope_x = {-deep / wide}, reach_mm = {2 * wide} }}
texture = {{ kind = "flat", colour = "#808080" }}
"""
    return scene_of_text(text, where="a card")


def _rig(rng: np.random.Generator) -> Rig:
    base = load_rig(str(rng.choice(_RIGS)))
    magnification = float(np.exp(rng.uniform(*np.log(_MAGNIFICATIONS))))
    f_number = float(rng.choice(_LOW if magnification < 2 else _HIGH))
    return replace(base, lens=replace(base.lens, magnification=magnification, f_number=f_number))


def _sharpness(rng: np.random.Generator, rig: Rig) -> Sharpness:
    use = str(rng.choice(["screen", "screen", "print", "crop100"]))
    if use == "print":
        return sharpness_for("print", rig.sensor, width_cm=float(rng.uniform(15, 60)))
    return sharpness_for("screen" if use == "screen" else "crop100", rig.sensor)
