"""The hands that hold the camera: sway, tremor, heart pulse and rotation, stance by stance.

The model is parametric: a critically damped random sway, a tremor resonance whose centre wanders,
a heart pulse, and rotations of the same two shapes, laid over the intended pass. The stance files
say which of their numbers were measured and which are assumptions.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
from pydantic import Field
from pydantic.dataclasses import dataclass

from ...ground.types import Doubles
from ..data import find_data_file, load_toml, validate
from ..pose import Pose
from ..rig import STRICT
from ..streams import stream
from .approach import Approach, planned_mm, planned_speed_mm_per_s
from .random_motion import Motion, draw_sway, draw_tremor, drift, knots_until

PULSE_HARMONICS = (1.0, 0.5, 0.25)
"""Relative amplitudes of the heart pulse and its harmonics (assumption)."""

TREMOR_MEMORY_S = 20.0
"""How long the centre of the tremor keeps its value, s (assumption)."""


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Stance:
    """How the photographer stands or leans, as the random motion it leaves in the camera.

    Parameters
    ----------
    name, title : str
        For tables and people; in a file of its own the name is the file's if left out.
    sway_mm : tuple of three floats
        Sway rms across, up and down, and toward the subject, mm.
    sway_hz : float
        Corner of the sway spectrum 1 / (1 + (f/f0)^2)^2, Hz.
    tremor_um : float
        Tremor rms of each axis, um.
    tremor_hz, tremor_hz_spread : float
        Mean and standard deviation of the tremor's centre, Hz.
    tremor_half_width_hz : float
        Half-width of the tremor resonance, Hz.
    pulse_um : float
        Heart pulse rms of each axis, um.
    pulse_hz : float
        Heart rate, Hz.
    rotation_mrad, rotation_tremor_mrad : float
        Slow and tremor rms of each rotation, mrad.
    coupling : float
        Share of the camera's sway that the subject follows, 0 to 1: near 1 where one hand holds
        both the stem and the lens. Camera poses are relative to the subject held.
    held_sway : float
        What is left of the subject's own swaying in the wind, 0 (held fast) to 1 (free).
    start_error_mm : float
        Standard deviation of where the plane of focus really is when the burst begins, about where
        the pass was meant to start, mm. See `simulator.handling.ends`.
    stop_error_mm : float
        Standard deviation of where the photographer takes the end of the pass to be, mm.
    reaction_s : float
        How long the burst goes on after that, s.
    slowest_mm_per_s : float
        Slowest pace at which this body can lean, mm/s; below it, it stands still.
    approach : Approach
        The pass this stance is used with, unless another is asked for.
    """

    name: str
    title: str = ""
    sway_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    sway_hz: float = Field(default=0.25, gt=0)
    tremor_um: float = Field(default=0.0, ge=0)
    tremor_hz: float = Field(default=8.0, ge=2, le=20)
    tremor_hz_spread: float = Field(default=1.0, ge=0, le=2)
    tremor_half_width_hz: float = Field(default=1.25, gt=0)
    pulse_um: float = Field(default=0.0, ge=0)
    pulse_hz: float = Field(default=1.1, gt=0)
    rotation_mrad: float = Field(default=0.0, ge=0)
    rotation_tremor_mrad: float = Field(default=0.0, ge=0)
    coupling: float = Field(default=0.0, ge=0, le=1)
    held_sway: float = Field(default=1.0, ge=0, le=1)
    start_error_mm: float = Field(default=0.0, ge=0, le=50)
    stop_error_mm: float = Field(default=0.0, ge=0, le=50)
    reaction_s: float = Field(default=0.0, ge=0, le=5)
    slowest_mm_per_s: float = Field(default=1.0, gt=0, le=100)
    approach: Approach = Approach()


def load_stance(name_or_path: str | Path) -> Stance:
    """Load a stance by the name of a shipped one, or from a TOML file.

    Parameters
    ----------
    name_or_path : str or Path
        Name of a shipped stance (``stacktruth list``), or the path of a .toml file.

    Raises
    ------
    simulator.data.DataFileError
        Unknown name, broken TOML, or a key or value that is not allowed.

    Examples
    --------
    >>> load_stance("kneeling").approach.kind
    'lean'
    """
    path = find_data_file(name_or_path, kind="stance")
    return validate(Stance, {"name": path.stem, **load_toml(path)}, where=path)


class Hands:
    """One drawn realisation of a stance on a pass: a function of time.

    Six columns everywhere: x, y, z in mm, pitch, yaw, roll in mrad (velocities: per second).
    The same seed gives the same hands for any frame rate, exposure time or number of frames.

    Parameters
    ----------
    stance : Stance
    until_s : float
        Last time that will be asked for, s.
    seed, scene : int, str
        Name the random streams.
    approach : Approach, optional
        Another pass than the stance's own.
    framed : bool
        The photographer fires when the picture is framed: sway starts from zero (default).
        False starts anywhere in the stationary sway.
    """

    def __init__(
        self,
        stance: Stance,
        *,
        until_s: float,
        seed: int,
        scene: str,
        approach: Approach | None = None,
        framed: bool = True,
    ) -> None:
        self.stance = stance
        self.approach = stance.approach if approach is None else approach
        self._seed, self._scene = seed, scene
        knots = knots_until(until_s)
        self._sway = _draw_sway(stance, knots, seed=seed, scene=scene, framed=framed)
        self._tremor = _draw_tremor(stance, knots, seed=seed, scene=scene)

    def poses(self, times_s: npt.ArrayLike) -> list[Pose]:
        """Return the camera pose at the time of each frame, one frame a time."""
        return [_pose(row) for row in self.track(times_s)]

    def track(self, times_s: npt.ArrayLike, *, frames: npt.ArrayLike | None = None) -> Doubles:
        """Return the camera's place at some times, shape (times, 6).

        ``frames`` names the frame each time belongs to; by default each time is the next frame.
        """
        times = np.atleast_1d(np.asarray(times_s, dtype=float))
        track = self.shake(times)
        if self.approach.kind != "focus-ring":
            track[:, 2] += self._planned(times, frames)
        return track

    def shake(self, times_s: npt.ArrayLike) -> Doubles:
        """Return what the hands add to the intended pass, shape (times, 6)."""
        times = np.atleast_1d(np.asarray(times_s, dtype=float))
        shake = self._sway.at(times) + self._tremor.at(times)
        shake[:, :3] += _pulse_mm(self.stance, times, seed=self._seed, scene=self._scene)[0]
        return shake

    def velocity(self, times_s: npt.ArrayLike) -> Doubles:
        """Return the camera's velocity at some times, shape (times, 6), per second."""
        times = np.atleast_1d(np.asarray(times_s, dtype=float))
        speed = self._sway.velocity_at(times) + self._tremor.velocity_at(times)
        speed[:, :3] += _pulse_mm(self.stance, times, seed=self._seed, scene=self._scene)[1]
        speed[:, 2] += planned_speed_mm_per_s(self.approach, times)
        return speed

    def during(self, frame: int, start_s: float, duration_s: float, *, samples: int) -> Doubles:
        """Return the camera's place in the middle of equal parts of an exposure, (samples, 6)."""
        if samples < 1 or duration_s < 0:
            raise ValueError(
                f"an exposure needs samples >= 1 and duration_s >= 0, got {samples}, {duration_s}"
            )
        times = start_s + duration_s * (np.arange(samples) + 0.5) / samples
        return self.track(times, frames=np.full(samples, frame))

    def focus_mm(self, times_s: npt.ArrayLike) -> Doubles:
        """Return how far the lens is refocused in each frame, mm: zero but for a focus ring."""
        times = np.atleast_1d(np.asarray(times_s, dtype=float))
        if self.approach.kind != "focus-ring":
            return np.zeros_like(times)
        return self._planned(times, None)

    def _planned(self, times: Doubles, frames: npt.ArrayLike | None) -> Doubles:
        frames = np.arange(len(times)) if frames is None else frames
        return planned_mm(self.approach, times, frames, seed=self._seed, scene=self._scene)


def _pose(row: Doubles) -> Pose:
    x, y, z, pitch, yaw, roll = (float(value) for value in row)
    return Pose(x_mm=x, y_mm=y, z_mm=z, pitch_mrad=pitch, yaw_mrad=yaw, roll_mrad=roll)


def _draw_sway(stance: Stance, knots: int, *, seed: int, scene: str, framed: bool) -> Motion:
    left = 1 - stance.coupling
    rms = [left * size for size in stance.sway_mm] + [stance.rotation_mrad] * 3
    rng = stream(seed, scene, "hand-sway")
    return draw_sway(rng, knots, rms=rms, corner_hz=stance.sway_hz, from_zero=framed)


def _draw_tremor(stance: Stance, knots: int, *, seed: int, scene: str) -> Motion:
    centre_hz = drift(
        stream(seed, scene, "hand-tremor-centre"),
        knots,
        mean=stance.tremor_hz,
        rms=stance.tremor_hz_spread,
        memory_s=TREMOR_MEMORY_S,
    )
    return draw_tremor(
        stream(seed, scene, "hand-tremor"),
        np.maximum(centre_hz, 1.0),
        rms=[stance.tremor_um * 1e-3] * 3 + [stance.rotation_tremor_mrad] * 3,
        half_width_hz=stance.tremor_half_width_hz,
    )


def _pulse_mm(
    stance: Stance, times_s: Doubles, *, seed: int, scene: str
) -> tuple[Doubles, Doubles]:
    """Heart pulse and its velocity on three axes, mm and mm/s, shape (times, 3) each."""
    rng = stream(seed, scene, "heart-pulse")
    axis = rng.standard_normal(3)
    axis *= np.sqrt(3) / np.linalg.norm(axis)
    phases = rng.uniform(0, 2 * np.pi, len(PULSE_HARMONICS))
    size = np.array(PULSE_HARMONICS) * np.sqrt(2 / np.sum(np.square(PULSE_HARMONICS)))
    rate = 2 * np.pi * stance.pulse_hz * np.arange(1, len(size) + 1)
    angle = np.multiply.outer(times_s, rate) + phases
    wave, speed = np.sin(angle) @ size, np.cos(angle) @ (size * rate)
    along = stance.pulse_um * 1e-3 * axis
    return np.multiply.outer(wave, along), np.multiply.outer(speed, along)
