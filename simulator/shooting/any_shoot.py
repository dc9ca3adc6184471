"""What a shoot answers, be it one pass or several joined ones."""

from __future__ import annotations

from typing import Protocol

from ..handling.hands import Stance
from ..handling.light import Light
from ..handling.sway import Subject
from ..rig import Rig
from ..scene.scene import Scene
from ..view.camera import Camera
from .shoot import Frame, FrameRecord
from .truth import Truth


class AnyShoot(Protocol):
    """A `Shoot`, or what stands for several of one scene that are merged together."""

    @property
    def scene(self) -> Scene:
        """What is photographed."""
        ...

    @property
    def rig(self) -> Rig:
        """Lens and sensor."""
        ...

    @property
    def binned_rig(self) -> Rig:
        """The rig whose pixels are the merged ones."""
        ...

    @property
    def stance(self) -> Stance:
        """How the camera is held."""
        ...

    @property
    def light(self) -> Light:
        """Flash, ambient light and cadence."""
        ...

    @property
    def subject(self) -> Subject:
        """How the living parts move."""
        ...

    @property
    def iso(self) -> float:
        """Sensitivity."""
        ...

    @property
    def noise(self) -> bool:
        """Whether the sensor has noise."""
        ...

    @property
    def quality(self) -> str:
        """Name of the level of quality that the frames are rendered at."""
        ...

    @property
    def encoding(self) -> str:
        """Of the frames: "srgb16", "srgb8" or "float"."""
        ...

    @property
    def seed(self) -> int:
        """Of all that is random."""
        ...

    @property
    def frames(self) -> int:
        """Number of frames."""
        ...

    @property
    def records(self) -> tuple[FrameRecord, ...]:
        """What really happened in each frame."""
        ...

    @property
    def nominal_focus_mm(self) -> tuple[float, ...] | None:
        """Where the scale of a stepped pass has each frame's plane of focus; None by hand."""
        ...

    @property
    def reference(self) -> int:
        """The frame whose view the truth is in."""
        ...

    def camera(self, number: int) -> Camera:
        """Return the camera of a frame."""
        ...

    def frame(self, number: int) -> Frame:
        """Render one frame as the camera writes it."""
        ...

    def truth(self, reference: int | None = None) -> Truth:
        """Return the truth in the view of a frame; None is `reference`."""
        ...
