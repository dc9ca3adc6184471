"""The truth of a stack in the form that the true stages of a method ask for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulator.motion import places_in
from simulator.shoot import Shoot
from simulator.truth import Truth


@dataclass(frozen=True, eq=False)
class StackTruth:
    """What really happened in a shoot, seen from one frame.

    Parameters
    ----------
    plan : Shoot
    truth : Truth
        In the view of its ``reference``.
    """

    plan: Shoot
    truth: Truth

    @property
    def reference(self) -> int:
        """Frame whose geometry the true result has."""
        return self.truth.reference

    def frame_choice(self) -> Sequence[int]:
        """Return the usable frames in order of depth, near first."""
        usable = [record for record in self.plan.records if record.usable]
        return [record.frame for record in sorted(usable, key=lambda record: record.focus_z_mm)]

    def warp(self, frame: int) -> npt.NDArray[np.float32]:
        """Return (row, column) in a frame of what each reference pixel shows; NaN: not seen."""
        reference = self.plan.camera(self.reference)
        return places_in(self.plan.scene, reference, self.plan.camera(frame))

    def focus_map(self) -> npt.NDArray[np.int16]:
        """Return the frame in which each reference pixel is sharpest; -1: none."""
        return self.truth.best_frame


def focus_planes_mm(plan: Shoot, reference: int) -> npt.NDArray[np.float64]:
    """Return z of each frame's plane of focus in the subject as the reference frame shows it.

    A subject that came nearer by the time of a frame carries its points toward that frame's plane
    of focus: seen from the reference the plane lay as much farther.
    """
    at = plan.records[reference].subject.z_mm
    return np.array([record.focus_z_mm - record.subject.z_mm + at for record in plan.records])
