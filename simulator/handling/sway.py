"""The living subject: its stem sways in the wind, a part of it twitches, and it may leave.

The stem is a damped oscillator on each axis, pushed by slow random wind; gusts make the swaying
swell and die down without changing its rms. The subject files say which numbers were measured.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass as plain_dataclass
from dataclasses import field
from pathlib import Path

import numpy as np
import numpy.typing as npt
from pydantic import Field
from pydantic.dataclasses import dataclass
from scipy.linalg import expm, solve_continuous_lyapunov

from ...ground.types import Doubles
from ..data import find_data_file, load_toml, validate
from ..rig import STRICT
from ..streams import stream
from .random_motion import KNOT_S, Motion, draw_sway, knots_until, run_states

Vector = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Wind:
    """How the stem or leaf that carries the subject sways.

    Parameters
    ----------
    rms_mm : tuple of three floats
        Rms across the picture, down it, and along the optical axis, mm.
    natural_hz : tuple of two floats
        Least and greatest natural frequency; each axis draws its own, Hz.
    damping : tuple of two floats
        Least and greatest damping ratio.
    push_hz : float
        Corner of the wind's low-pass noise, Hz.
    gustiness : float
        0 is steady wind, 1 swells and dies down altogether.
    gust_hz : float
        Corner of the gusts' spectrum, Hz.
    """

    rms_mm: Vector = (0.0, 0.0, 0.0)
    natural_hz: tuple[float, float] = (1.0, 1.8)
    damping: tuple[float, float] = (0.05, 0.2)
    push_hz: float = Field(default=0.3, gt=0)
    gustiness: float = Field(default=0.0, ge=0, le=1)
    gust_hz: float = Field(default=0.05, gt=0)

    def __post_init__(self) -> None:
        for key, (least, greatest) in (("natural_hz", self.natural_hz), ("damping", self.damping)):
            if not 0 < least <= greatest:
                raise ValueError(f"{key}: got {least}, {greatest}, allowed 0 < least <= greatest")


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Twitch:
    """A named part moves quickly, stays, and goes back.

    Parameters
    ----------
    part : str
        Name of a sheet of the scene.
    at_s : float
        When it starts, s.
    move_mm : tuple of three floats
        How far it goes, mm.
    rise_s, hold_s : float
        Time to get there (and back), and time it stays, s.
    """

    part: str
    at_s: float = Field(ge=0)
    move_mm: Vector
    rise_s: float = Field(default=0.05, gt=0)
    hold_s: float = Field(default=0.3, ge=0)


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Subject:
    """How the subject behaves during a shoot.

    Parameters
    ----------
    name, title : str
        For tables and people; in a file of its own the name is the file's if left out.
    wind : Wind
        How the living parts are swayed.
    twitches : tuple of Twitch
        Moves of single parts.
    leaves_after_frame : int or None
        Last frame the subject is there; None stays.
    """

    name: str
    title: str = ""
    wind: Wind = Wind()
    twitches: tuple[Twitch, ...] = ()
    leaves_after_frame: int | None = Field(default=None, ge=0)


@plain_dataclass(frozen=True, slots=True, kw_only=True)
class SubjectPose:
    """Where the subject is in one frame.

    Parameters
    ----------
    x_mm, y_mm, z_mm : float
        Displacement of the whole subject, mm.
    parts_mm : mapping of str to tuple of three floats
        Further displacement of the parts that twitch.
    present : bool
        False once it has left.
    """

    x_mm: float = 0.0
    y_mm: float = 0.0
    z_mm: float = 0.0
    parts_mm: Mapping[str, Vector] = field(default_factory=dict)
    present: bool = True


STILL = SubjectPose()


def load_subject(name_or_path: str | Path) -> Subject:
    """Load a subject's behaviour by the name of a shipped one, or from a TOML file.

    Parameters
    ----------
    name_or_path : str or Path
        Name of a shipped subject (``stacktruth list``), or the path of a .toml file.

    Raises
    ------
    simulator.data.DataFileError
        Unknown name, broken TOML, or a key or value that is not allowed.

    Examples
    --------
    >>> load_subject("leaves-early").leaves_after_frame
    5
    """
    path = find_data_file(name_or_path, kind="subject")
    return validate(Subject, {"name": path.stem, **load_toml(path)}, where=path)


class Swaying:
    """One drawn realisation of a subject's motion: a function of time.

    Parameters
    ----------
    subject : Subject
    until_s : float
        Last time that will be asked for, s.
    seed, scene : int, str
        Name the random streams.
    held : float
        What the photographer's fingers leave of the sway, 0 to 1 (a stance's ``held_sway``).
    framed : bool
        Shooting starts as the subject swings through its nominal place (default); False starts
        anywhere.
    """

    def __init__(
        self,
        subject: Subject,
        *,
        until_s: float,
        seed: int,
        scene: str,
        held: float = 1.0,
        framed: bool = True,
    ) -> None:
        self.subject = subject
        knots = knots_until(until_s)
        rms = held * np.array(subject.wind.rms_mm)
        sway = _draw_stem(subject.wind, rms, knots, seed=seed, scene=scene, framed=framed)
        self._sway = _gusty(sway, subject.wind, knots, seed=seed, scene=scene)

    def poses(self, times_s: npt.ArrayLike) -> list[SubjectPose]:
        """Return the subject's pose at the time of each frame, one frame a time."""
        times = np.atleast_1d(np.asarray(times_s, dtype=float))
        parts = self.parts_mm(times)
        last = self.subject.leaves_after_frame
        return [
            SubjectPose(
                x_mm=float(x),
                y_mm=float(y),
                z_mm=float(z),
                parts_mm={name: _vector(move[frame]) for name, move in parts.items()},
                present=last is None or frame <= last,
            )
            for frame, (x, y, z) in enumerate(self.track(times))
        ]

    def track(self, times_s: npt.ArrayLike) -> Doubles:
        """Return the displacement of the whole subject at some times, mm, shape (times, 3)."""
        return self._sway.at(times_s)

    def velocity(self, times_s: npt.ArrayLike) -> Doubles:
        """Return the velocity of the whole subject at some times, mm/s, shape (times, 3)."""
        return self._sway.velocity_at(times_s)

    def parts_mm(self, times_s: npt.ArrayLike) -> dict[str, Doubles]:
        """Return the further displacement of each twitching part, mm, shape (times, 3) each."""
        times = np.atleast_1d(np.asarray(times_s, dtype=float))
        parts: dict[str, Doubles] = {}
        for twitch in self.subject.twitches:
            move = np.multiply.outer(_out_and_back(twitch, times), np.array(twitch.move_mm))
            parts[twitch.part] = parts.get(twitch.part, 0.0) + move
        return parts


def stem_equation(natural_hz: float, damping: float, push_hz: float) -> tuple[Doubles, Doubles]:
    """Return the drift matrix and stationary covariance of a stem's state.

    The state is (place, velocity / rate, wind of unit rms), rate = 2 pi ``natural_hz``; its
    expectation obeys d state / dt = drift @ state.
    """
    rate, fade = 2 * np.pi * natural_hz, 2 * np.pi * push_hz
    drift = np.array([[0, rate, 0], [-rate, -2 * damping * rate, rate], [0, 0, -fade]])
    return drift, solve_continuous_lyapunov(drift, -np.diag([0, 0, 2 * fade]))


def _draw_stem(
    wind: Wind, rms: Doubles, knots: int, *, seed: int, scene: str, framed: bool
) -> Motion:
    rng = stream(seed, scene, "stem")
    natural_hz, damping = rng.uniform(*wind.natural_hz, 3), rng.uniform(*wind.damping, 3)
    equations = [
        stem_equation(f, z, wind.push_hz) for f, z in zip(natural_hz, damping, strict=True)
    ]
    kicks = stream(seed, scene, "wind").standard_normal((knots, 3, 3))
    if framed:
        kicks[0, :, 0] = 0.0  # the first state's position is its first kick alone
    states = np.empty_like(kicks)
    for axis, (drift, covariance) in enumerate(equations):
        unit_covariance, step = covariance / covariance[0, 0], expm(drift * KNOT_S)
        states[:, [axis]] = rms[axis] * run_states(step, unit_covariance, kicks[:, [axis]])
    return Motion(position=states[..., 0], velocity=states[..., 1] * 2 * np.pi * natural_hz)


def _gusty(sway: Motion, wind: Wind, knots: int, *, seed: int, scene: str) -> Motion:
    """Let the swaying swell with sqrt(1 - g + g e^2), e a slow motion of unit rms."""
    if wind.gustiness == 0:
        return sway
    gust = draw_sway(stream(seed, scene, "gust"), knots, rms=[1.0], corner_hz=wind.gust_hz)
    swell = np.sqrt(1 - wind.gustiness + wind.gustiness * gust.position**2)
    growth = wind.gustiness * gust.position * gust.velocity / np.maximum(swell, 1e-9)
    return Motion(
        position=sway.position * swell, velocity=sway.velocity * swell + sway.position * growth
    )


def _out_and_back(twitch: Twitch, times: Doubles) -> Doubles:
    back_s = twitch.at_s + twitch.rise_s + twitch.hold_s
    there = _smooth_step((times - twitch.at_s) / twitch.rise_s)
    return there - _smooth_step((times - back_s) / twitch.rise_s)


def _smooth_step(u: Doubles) -> Doubles:
    u = np.clip(u, 0, 1)
    return u**3 * (10 - 15 * u + 6 * u**2)


def _vector(row: Doubles) -> Vector:
    return float(row[0]), float(row[1]), float(row[2])
