"""Scenes drawn at random: sheets, bars, fibres, balls and domes at all depths, and their cameras.

Sizes are drawn in pixels of the plane of focus and depths by the blur they give, so that every
lens gets pictures of the same difficulty. A draw is an ordinary scene file and a row of
``cases.toml``. Surfaces share no depth: listed from far to near they hide each other as listed,
from wherever they are seen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from stacktruth.simulator import Pose, load_rig, optics
from stacktruth.simulator.rig import Rig, stopped_to

Table = dict[str, Any]

RIG = "test-rig"
#: Pictures are this wide and high.
SIZE_PX = (128, 96)
#: Any number; other streams of other draws.
_ROOT = 1414
#: Surfaces in front of each other are at least this far apart, in mm for a pixel of blur.
_GAP_PX = 0.3
_BLURS = (0.3, 14.0)
_WIDEST_PX = 50.0
#: Points of a fibre's centre line.
_BOW_POINTS = 17


@dataclass
class Draw:
    """What a draw needs while it is made.

    Parameters
    ----------
    rng : Generator
    rig : Rig
    px : float
        A pixel in the plane of focus, mm.
    nearest : float
        z of the nearest surface so far, mm.
    surfaces : list of tables
    """

    rng: np.random.Generator
    rig: Rig
    px: float
    nearest: float = np.inf
    surfaces: list[Table] = field(default_factory=list)

    def uniform(self, low: float, high: float) -> float:
        """Return a number of few digits."""
        return round(float(self.rng.uniform(low, high)), 4)

    def log(self, low: float, high: float) -> float:
        """Return a number, its logarithm evenly spread."""
        return float(np.exp(self.rng.uniform(np.log(low), np.log(high))))

    def depth_mm(self, blur_px: float) -> float:
        """Return the z of a signed blur radius: positive is farther than the plane of focus."""
        share = blur_px * self.px / optics.entrance_pupil_radius_mm(self.rig)
        return float(share * optics.focus_distance_mm(self.rig) / (1 - min(share, 0.6)))

    def place(self, blur_px: float, thickness_mm: float) -> float:
        """Return the middle z for a thing, before all others, and remember where it begins."""
        z = self.depth_mm(blur_px)
        gap = abs(self.depth_mm(_GAP_PX))
        z = round(min(z, self.nearest - gap - thickness_mm / 2), 5)
        self.nearest = z - thickness_mm / 2
        return z

    def point(self, spread: float = 0.4) -> tuple[float, float]:
        """Return a place in the picture, mm from the middle."""
        x, y = (self.rng.uniform(-spread, spread) * n * self.px for n in SIZE_PX)
        return round(float(x), 4), round(float(y), 4)

    def colour(self) -> str:
        """Return a colour as text."""
        return "#" + "".join(f"{int(v):02x}" for v in self.rng.integers(8, 248, 3))


def draw(seed: int) -> tuple[Table, Table]:
    """Draw a scene and its camera.

    Parameters
    ----------
    seed : int
        Draws of different seeds have nothing in common.

    Returns
    -------
    scene : dict
        What a scene file holds.
    case : dict
        What a row of ``cases.toml`` holds, without its name.
    """
    rng = np.random.default_rng([_ROOT, seed])
    lens = _lens(rng)
    rig = stopped_to(_with(load_rig(RIG), lens), lens["f_number"])
    px = rig.sensor.pitch_um * 1e-3 / rig.lens.magnification
    made = Draw(rng, rig, px)
    blurs = sorted((_blur(made) for _ in range(int(rng.integers(2, 6)))), reverse=True)
    _wall(made, max(blurs[0], 0.0) + float(rng.uniform(0, 8)))
    for blur in blurs:
        _KINDS[int(rng.integers(len(_KINDS)))](made, blur)
    depths = [made.nearest - 1.0, made.depth_mm(30.0)]
    scene = {
        "title": f"drawn at random, number {seed}",
        "rig": RIG,
        "field_mm": [round(n * px, 4) for n in SIZE_PX],
        "depth_mm": [round(z, 4) for z in depths],
        "seed": int(seed),
        "lighting": {
            "toward": [made.uniform(-0.8, 0.8), made.uniform(-0.8, 0.8), -0.7],
            "ambient": made.uniform(0.1, 0.6),
        },
        "surface": made.surfaces,
    }
    sensor = {"width_px": SIZE_PX[0], "height_px": SIZE_PX[1]}
    return scene, {"lens": lens, "sensor": sensor, "pose": _pose(made)}


def _lens(rng: np.random.Generator) -> Table:
    return {
        "focal_length_mm": float(rng.choice([35.0, 50.0, 90.0])),
        "f_number": float(rng.choice([2.0, 2.8, 4.0])),
        "magnification": float(rng.choice([0.5, 1.0, 2.0, 5.0])),
        "pupil_ratio": round(float(2 ** rng.uniform(-1, 1)), 3),
    }


def _with(rig: Rig, lens: Table) -> Rig:
    return replace(rig, lens=replace(rig.lens, **lens))


def _blur(made: Draw) -> float:
    """Return a signed blur radius, px; one in ten is wide and before the plane of focus."""
    if made.rng.uniform() < 0.1:
        return -made.log(_BLURS[1], _WIDEST_PX)
    return float(made.rng.choice([-1, 1])) * made.log(*_BLURS)


def _pose(made: Draw) -> Table:
    """Return a pose from which the middle of the plane of focus stays in the middle."""
    pitch, yaw = (made.rng.normal(0, 150) for _ in range(2))
    pitch, yaw = (round(float(np.clip(angle, -350, 350)), 1) for angle in (pitch, yaw))
    roll = made.uniform(-3000, 3000)
    distance = optics.focus_distance_mm(made.rig)
    ahead = Pose(pitch_mrad=pitch, yaw_mrad=yaw).rotation()[:, 2]
    x, y, z = (round(float(v), 4) for v in np.array([0, 0, distance]) - distance * ahead)
    turn = {"pitch_mrad": pitch, "yaw_mrad": yaw, "roll_mrad": roll}
    return {"x_mm": x, "y_mm": y, "z_mm": z, **turn}


def _texture(made: Draw) -> Table:
    """Return a texture whose details are some pixels wide."""
    px, two = made.px, [made.colour(), made.colour()]
    three = [*two, made.colour()]
    cell = round(made.log(4, 14) * px, 5)
    kind = str(
        made.rng.choice(["octaves", "octaves", "octaves", "cells", "checker", "bars", "flat"])
    )
    if kind == "octaves":
        wide = round(made.log(10, 40) * px, 5)
        falloff = made.uniform(1.0, 1.8)
        return {"kind": kind, "palette": three, "cell_mm": wide, "falloff": falloff}
    if kind == "cells":
        own = {"palette": three, "border_colour": made.colour(), "blotch_mm": cell * 3}
        return {"kind": kind, "cell_mm": cell, **own}
    if kind == "checker":
        return {"kind": kind, "colours": two, "cell_mm": cell, "angle_deg": made.uniform(0, 90)}
    if kind == "bars":
        return {"kind": kind, "colours": two, "pitch_mm": cell, "angle_deg": made.uniform(0, 180)}
    return {"kind": kind, "colour": two[0]}


def _add(made: Draw, what: str, **values: Any) -> None:
    """Add a surface under a name of its own."""
    made.surfaces.append({"name": f"{what} {len(made.surfaces)}", **values})


def _sheet(made: Draw, name: str, x: float, y: float, z: float, **more: Any) -> None:
    _add(
        made, name, centre_mm=[x, y, z], texture=more.pop("texture", None) or _texture(made), **more
    )


def _wall(made: Draw, blur: float) -> None:
    """Add a sheet without an edge, at times rough."""
    if made.rng.uniform() < 0.5:
        _sheet(made, "wall", 0, 0, made.place(blur, 0.0))
        return
    # Three octaves of noise stay within six deviations.
    deviation = round(made.log(0.5, 4) * made.px, 5)
    cell = round(made.log(20, 80) * made.px, 5)
    relief = {"kind": "rough", "amplitude_mm": deviation, "cell_mm": cell}
    _sheet(made, "wall", 0, 0, made.place(blur, 12 * deviation), relief=relief)


def _rectangle(width: float, height: float) -> Table:
    return {"kind": "rectangle", "size_mm": [round(width, 5), round(height, 5)]}


def _bars(made: Draw, blur: float) -> None:
    """Add bars side by side, their gaps often narrower than the blur."""
    z = made.place(blur, 0.0)
    turn, (x, y) = made.uniform(0, 180), made.point(0.2)
    width, gap = (made.log(3, 20) * made.px for _ in range(2))
    count, texture = int(made.rng.integers(1, 7)), _texture(made)
    along = np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))
    for k in range(count):
        aside = (k - (count - 1) / 2) * (width + gap)
        at = [round(float(v), 5) for v in (x + aside * along[0], y + aside * along[1])]
        outline = _rectangle(width, made.log(60, 400) * made.px)
        _sheet(made, "bar", *at, z, rotate_deg=turn, outline=outline, texture=texture)


def _card(made: Draw, blur: float) -> None:
    """Add a flat or steep card of one of four outlines."""
    width, height = (made.log(15, 70) * made.px for _ in range(2))
    slopes = made.rng.uniform(-1, 1, 2) * made.rng.choice([0, 0.3, 1.0])
    relief = {
        "kind": "slope",
        "slope_x": round(float(slopes[0]), 3),
        "slope_y": round(float(slopes[1]), 3),
        "reach_mm": round(max(width, height), 5),
    }
    kind = str(made.rng.choice(["rectangle", "ellipse", "blade", "polygon"]))
    outline: Table = {"kind": kind, "size_mm": [round(width, 5), round(height, 5)]}
    if kind == "blade":
        outline["size_mm"] = sorted(outline["size_mm"], reverse=True)
        width, height = outline["size_mm"]
    if kind == "polygon":
        turns = np.sort(made.rng.uniform(0, 2 * np.pi, 6))
        reach = made.rng.uniform(0.35, 1, 6)
        corners = np.stack([np.cos(turns) * width, np.sin(turns) * height], 1) * reach[:, None] / 2
        outline = {"kind": kind, "points_mm": np.round(corners, 5).tolist()}
    z = made.place(blur, abs(relief["slope_x"]) * width + abs(relief["slope_y"]) * height)
    turn = made.uniform(0, 360)
    _sheet(made, "card", *made.point(), z, rotate_deg=turn, outline=outline, relief=relief)


def _dome(made: Draw, blur: float) -> None:
    """Add a dome, up to steep, whose middle height has the blur."""
    across, down = (round(made.log(10, 35) * made.px, 5) for _ in range(2))
    height = round(made.log(0.3, 2.0) * min(across, down), 5)
    foot = round(made.place(blur, height) + height / 2, 5)
    _sheet(
        made,
        "dome",
        *made.point(0.3),
        foot,
        rotate_deg=made.uniform(0, 360),
        outline={"kind": "ellipse", "size_mm": [2 * across, 2 * down]},
        relief={"kind": "dome", "height_mm": height, "radius_mm": [across, down]},
    )


def _fibres(made: Draw, blur: float) -> None:
    """Add fibres that cross the picture, each before the last, or end in it."""
    root, tip = (round(made.log(0.6, 5) * made.px * 1e3, 3) for _ in range(2))
    look = {"root_colour": _linear(made), "tip_colour": _linear(made), "radius_um": [root, tip]}
    for _ in range(int(made.rng.integers(1, 6))):
        lean = made.log(0.5, 12) * made.px
        thick = lean + 2 * max(root, tip) * 1e-3
        z = made.place(blur, thick)
        up = float(made.rng.choice([-1, 1])) * lean
        path = [[x, y, round(z + float(share) * up, 5)] for x, y, share in _curve(made)]
        _add(made, "fibre", kind="fibres", paths_mm=[path], **look)


def _curve(made: Draw) -> list[tuple[float, float, float]]:
    """Return x and y along a bow that is bent less than a right angle, and -0.5 to 0.5 along it."""
    first, last = (np.array(made.point(0.8)) for _ in range(2))
    across = (last - first)[::-1] * [1, -1]
    bend = made.rng.uniform(-0.4, 0.4)
    along = np.linspace(0, 1, _BOW_POINTS)[:, None]
    points = first * (1 - along) + last * along + bend * along * (1 - along) * across
    return [
        (round(float(x), 5), round(float(y), 5), float(share) - 0.5)
        for (x, y), share in zip(points, along[:, 0], strict=True)
    ]


def _balls(made: Draw, blur: float) -> None:
    """Add balls and clear drops, at times with a bright reflection."""
    for _ in range(int(made.rng.integers(1, 4))):
        radius = round(made.log(3, 20) * made.px, 5)
        z = made.place(blur, 2 * radius)
        clear = float(made.rng.integers(0, 2))
        shine = float(made.rng.choice([0.0, 1.0, 6.0]))
        _add(
            made,
            "ball",
            kind="balls",
            at_mm=[[*made.point(), z]],
            radius_mm=[radius],
            colour=_linear(made),
            highlight=shine,
            clear=clear,
        )


def _linear(made: Draw) -> list[float]:
    return [round(float(v), 3) for v in made.rng.uniform(0.02, 0.9, 3)]


_KINDS: tuple[Callable[[Draw, float], None], ...] = (_bars, _card, _dome, _fibres, _balls)


def as_toml(scene: Table) -> str:
    """Return the text of a scene file."""
    head = {key: value for key, value in scene.items() if key not in ("surface", "lighting")}
    lines = [*_lines(head), "", "[lighting]", *_lines(scene["lighting"])]
    for surface in scene["surface"]:
        lines += ["", "[[surface]]", *_lines(surface)]
    return "\n".join(lines) + "\n"


def case_row(name: str, case: Table) -> str:
    """Return the text of a row of ``cases.toml``."""
    return "\n".join(["[[case]]", *_lines({"name": name, **case})]) + "\n"


def _lines(table: Table) -> list[str]:
    return [f"{key} = {_value(value)}" for key, value in table.items()]


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(_lines(value)) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, str):
        return f'"{value}"'
    return repr(value)
