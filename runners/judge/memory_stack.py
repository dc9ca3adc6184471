"""A stack in memory, of one shoot or of several joined over one scene."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from ...ground.types import Image
from ...simulator.handling.hands import Stance
from ...simulator.handling.light import Light
from ...simulator.handling.sway import Subject
from ...simulator.rig import Rig
from ...simulator.scene.scene import Scene
from ...simulator.shooting.any_shoot import AnyShoot
from ...simulator.shooting.shoot import Frame, FrameRecord, Shoot
from ...simulator.shooting.truth import Truth, truth_of
from ...simulator.stack.frameio import FORMATS
from ...simulator.stack.stackwrite import camera_info
from ...simulator.view.camera import Camera

_FORMAT = "tiff16"


@dataclass(frozen=True, kw_only=True)
class JoinedShoots:
    """Passes over one scene that are merged together; they answer as one shoot would.

    Parameters
    ----------
    shoots : tuple of Shoot
        One a pass, alike but for their seeds.
    """

    shoots: tuple[Shoot, ...]

    @property
    def scene(self) -> Scene:
        """The scene of all passes."""
        return self.shoots[0].scene

    @property
    def rig(self) -> Rig:
        """The rig of all passes."""
        return self.shoots[0].rig

    @property
    def binned_rig(self) -> Rig:
        """The rig of all passes, its pixels the merged ones."""
        return self.shoots[0].binned_rig

    @property
    def stance(self) -> Stance:
        """The stance of all passes."""
        return self.shoots[0].stance

    @property
    def light(self) -> Light:
        """The light of all passes."""
        return self.shoots[0].light

    @property
    def subject(self) -> Subject:
        """The subject of all passes."""
        return self.shoots[0].subject

    @property
    def iso(self) -> float:
        """The sensitivity of all passes."""
        return self.shoots[0].iso

    @property
    def noise(self) -> bool:
        """Whether the sensor of all passes has noise."""
        return self.shoots[0].noise

    @property
    def quality(self) -> str:
        """The level of quality of all passes."""
        return self.shoots[0].quality

    @property
    def encoding(self) -> str:
        """Encoding of the frames of all passes."""
        return self.shoots[0].encoding

    @property
    def seed(self) -> int:
        """The seed of the first pass."""
        return self.shoots[0].seed

    @property
    def frames(self) -> int:
        """Frames of all passes together."""
        return sum(shoot.frames for shoot in self.shoots)

    @cached_property
    def records(self) -> tuple[FrameRecord, ...]:
        """What happened in each frame, numbered through."""
        together = [record for shoot in self.shoots for record in shoot.records]
        return tuple(replace(record, frame=number) for number, record in enumerate(together))

    @property
    def nominal_focus_mm(self) -> tuple[float, ...] | None:
        """Where the scale of stepped passes has each plane of focus; None if one is by hand."""
        stops = [shoot.nominal_focus_mm for shoot in self.shoots]
        if any(stop is None for stop in stops):
            return None
        return tuple(at for stop in stops if stop is not None for at in stop)

    @property
    def reference(self) -> int:
        """The frame whose view the truth is in: that of the first pass."""
        return self.shoots[0].reference

    def camera(self, number: int) -> Camera:
        """Return the camera of a frame."""
        shoot, own = self._find(number)
        return shoot.camera(own)

    def frame(self, number: int) -> Frame:
        """Render one frame as the camera writes it."""
        shoot, own = self._find(number)
        return Frame(image=shoot.frame(own).image, record=self.records[number])

    def truth(self, reference: int | None = None) -> Truth:
        """Return the truth in the view of a frame, given the usable frames of all passes."""
        number = self.reference if reference is None else reference
        usable = [record.frame for record in self.records if record.usable] or [number]
        return truth_of(
            self.scene,
            self.camera(number),
            {frame: self.camera(frame) for frame in usable},
            reference=number,
        )

    def _find(self, number: int) -> tuple[Shoot, int]:
        if not 0 <= number < self.frames:
            raise IndexError(f"frame: got {number}, allowed 0 to {self.frames - 1}")
        for shoot in self.shoots:
            if number < shoot.frames:
                return shoot, number
            number -= shoot.frames
        raise AssertionError("a frame below the count is in one of the shoots")


@dataclass(frozen=True, eq=False)
class MemoryStack:
    """The stack of a shoot, or of joined ones, never written to a folder.

    Parameters
    ----------
    shoot : AnyShoot
        Of 16-bit frames.
    """

    shoot: AnyShoot

    @cached_property
    def truth(self) -> Truth:
        """The truth in the view of the reference."""
        return self.shoot.truth()

    @cached_property
    def info(self) -> Mapping[str, Any]:
        """What a camera would have written about the frames."""
        return camera_info(self.shoot, FORMATS[_FORMAT])

    @cached_property
    def frames(self) -> list[Image]:
        """All frames, rendered."""
        return [self.shoot.frame(number).image for number in range(self.shoot.frames)]
