"""What passes are drawn from: hands, light, subject, and how the picture lies on the subject."""

from __future__ import annotations

from dataclasses import dataclass

from ....simulator.handling.hands import Stance
from ....simulator.handling.light import Light
from ....simulator.handling.sway import Subject
from ....simulator.optics import focus_distance_mm, image_scale_px_per_mm
from ....simulator.rig import Rig


@dataclass(frozen=True, slots=True, kw_only=True)
class Framing:
    """How a picture lies on the subject; nothing of it depends on the f-number.

    Parameters
    ----------
    distance_mm : float
        From the entrance pupil to the nominal plane of focus.
    px_per_mm : float
        Pixels on the sensor per mm in the plane of focus.
    half_width_mm, half_height_mm : float
        Half of what the picture shows of the plane of focus.
    subject_mm : float or None
        How wide and high the subject is; None takes half of what the picture shows of each side
        (our choice).
    """

    distance_mm: float
    px_per_mm: float
    half_width_mm: float
    half_height_mm: float
    subject_mm: float | None = None

    @property
    def room_across_mm(self) -> float:
        """How far the picture may wander sideways before an edge of the subject leaves it."""
        return self._room_mm(self.half_width_mm)

    @property
    def room_down_mm(self) -> float:
        """The same up and down."""
        return self._room_mm(self.half_height_mm)

    def _room_mm(self, half_mm: float) -> float:
        if self.subject_mm is None:
            return half_mm / 2
        return max(half_mm - self.subject_mm / 2, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """All that a drawn pass depends on.

    Where the pass is meant to go, and the f-number, are not part of it.

    Parameters
    ----------
    stance : Stance
        How the hands move; its approach is not used.
    light : Light
    subject : Subject
    framing : Framing
    """

    stance: Stance
    light: Light
    subject: Subject
    framing: Framing


def framing_of(
    rig: Rig, *, crop: tuple[int, int] | None = None, subject_mm: float | None = None
) -> Framing:
    """Return how the picture of a rig lies on the subject.

    Parameters
    ----------
    rig : Rig
    crop : (width, height) or None
        Middle part of the sensor, in its own pixels; None is the whole sensor.
    subject_mm : float or None
        How wide and high the subject is, as in `Framing`.
    """
    width, height = crop or (rig.sensor.width_px, rig.sensor.height_px)
    px_per_mm = image_scale_px_per_mm(rig)
    return Framing(
        distance_mm=focus_distance_mm(rig),
        px_per_mm=px_per_mm,
        half_width_mm=width / (2 * px_per_mm),
        half_height_mm=height / (2 * px_per_mm),
        subject_mm=subject_mm,
    )
