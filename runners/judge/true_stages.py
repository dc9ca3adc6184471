"""The truth of a stack in the form that the true stages of a method take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy import ndimage

from ...ground.srgb import LUMA, clipped_srgb
from ...ground.types import Bools, Doubles, Floats, Image, Labels
from ...simulator.handling.sway import STILL
from ...simulator.shooting.any_shoot import AnyShoot
from ...simulator.shooting.truth import Truth
from ...simulator.view.camera import Camera
from ..methods.picture.geometry import resample_dense
from ..methods.picture.tone import to_float
from .plane_motion import places_of_focus
from .seen_by_frames import SeenByFrames

#: The optically sharpest frame is passed over where its error is more than twice that of the
#: frame that shows the point best, and this much (share of white) above it.
_VEILED = 0.01
#: Errors are averaged over a neighbourhood of this size, px, so that noise counts little.
_NEAR_PX = 1.0
_KEPT_BYTES = 512e6


@dataclass(frozen=True, eq=False)
class StackTruth:
    """What really happened in a shoot, seen from one frame.

    Parameters
    ----------
    shoot : AnyShoot
    truth : Truth
        In the view of its ``reference``.
    frames : sequence of arrays
        The frames as written.
    sights : SeenByFrames or None
        What the frames see, as other views of the shoot know it; None: found here.
    """

    shoot: AnyShoot
    truth: Truth
    frames: Sequence[Image]
    sights: SeenByFrames | None = None
    _places: dict[int, Floats] = field(default_factory=dict)

    @property
    def reference(self) -> int:
        """Frame whose geometry the true result has."""
        return self.truth.reference

    @cached_property
    def _sights(self) -> SeenByFrames:
        return self.sights or SeenByFrames(self.shoot)

    def frame_choice(self) -> Sequence[int]:
        """Return the usable frames in order of depth, near first."""
        usable = [record for record in self.shoot.records if record.usable]
        return [record.frame for record in sorted(usable, key=lambda record: record.focus_z_mm)]

    def warp(self, frame: int) -> Floats:
        """Return (row, column) in a frame of what each reference pixel shows; NaN: not seen."""
        if frame in self._places:
            return self._places[frame]
        places = self._sights.places(frame, of=self.reference)
        if places.nbytes * self.shoot.frames <= _KEPT_BYTES:
            self._places[frame] = places
        return places

    def focus_map(self) -> Labels:
        """Return the frame that truly shows each reference pixel best; -1: none.

        That is the optically sharpest one, unless something nearer and out of focus veils the
        point there: then it is the frame whose picture of it is nearest to the ideal.
        """
        best = self.truth.best_frame
        ideal = clipped_srgb(self.truth.ideal) @ LUMA
        chosen_error = np.full(best.shape, np.inf, np.float32)
        least_error = np.full(best.shape, np.inf, np.float32)
        clearest = best.copy()
        for frame in self.frame_choice():
            error = self._error(frame, ideal)
            clearest[error < least_error] = frame
            np.minimum(least_error, error, out=least_error)
            np.copyto(chosen_error, error, where=best == frame)
        veiled = chosen_error > 2 * least_error + _VEILED**2
        return np.where(veiled, clearest, best)

    def exposed(self, frame: int) -> Floats:
        """Return a frame with its true gain taken off, sRGB-encoded (rows, cols, 3)."""
        gains = np.array(self.shoot.records[frame].gains, np.float32)
        linear = self.shoot.encoding == "float"
        picture = to_float(self.frames[frame], gain=1 / np.maximum(gains, 1e-6), linear=linear)
        return clipped_srgb(picture) if linear else picture

    def aligned(self, frame: int) -> tuple[Floats, Bools]:
        """Return a frame in the truth's view, truly exposed, and where it shows the view."""
        return self._by_depth(frame, self.exposed(frame))

    def _by_depth(self, frame: int, picture: Floats) -> tuple[Floats, Bools]:
        if frame == self.reference:
            return picture, np.ones(picture.shape[:2], bool)
        places = self.warp(frame)
        shown = np.isfinite(places[..., 0])
        moved = resample_dense(picture, np.where(shown[..., None], places, np.float32(0)))
        return np.clip(moved, 0, 1), shown

    def versions(self, frame: int) -> tuple[tuple[Floats, Bools], ...]:
        """Return a frame in the truth's view, truly exposed, in each way that it can be moved.

        By the depth of what each pixel shows, and where that shows the view; and as the plane that
        it is focused on moves, its edge continued, once more with the subject where that moved.
        """
        picture = self.exposed(frame)
        by_depth = self._by_depth(frame, picture)
        everywhere = np.ones(by_depth[1].shape, bool)
        if frame == self.reference:
            return (by_depth,) * (1 + len(self._stands(frame)))
        by_plane = (
            np.clip(resample_dense(picture, places_of_focus(*cameras)), 0, 1)
            for cameras in self._stands(frame)
        )
        return by_depth, *((moved, everywhere) for moved in by_plane)

    def _stands(self, frame: int) -> list[tuple[Camera, Camera]]:
        """Return how the reference's camera and a frame's stand to what stays, and to the subject.

        To the subject only where it moves in any of the frames.
        """
        own, other = self.shoot.camera(self.reference), self.shoot.camera(frame)
        if all(record.subject == STILL for record in self.shoot.records):
            return [(own, other)]
        subject = own.facing("", living=True), other.facing("", living=True)
        return [(own, other), subject]

    def _error(self, frame: int, ideal: Floats) -> Floats:
        """Squared difference between a frame, truly aligned, and the ideal, near each pixel."""
        picture = self.exposed(frame)
        places = self.warp(frame)
        unseen = np.isnan(places[..., 0])
        at = np.where(unseen[..., None], 0, places)
        seen = ndimage.map_coordinates(
            picture @ LUMA, [at[..., 0], at[..., 1]], order=3, mode="nearest"
        )
        error = ndimage.gaussian_filter(np.square(seen - ideal), _NEAR_PX)
        return np.where(unseen, np.float32(np.inf), error)


def focus_planes_mm(shoot: AnyShoot, reference: int) -> Doubles:
    """Return z of each frame's plane of focus in the subject as the reference frame shows it.

    A subject that came nearer by the time of a frame carries its points toward that frame's plane
    of focus: seen from the reference the plane lay as much farther.
    """
    at = shoot.records[reference].subject.z_mm
    return np.array([record.focus_z_mm - record.subject.z_mm + at for record in shoot.records])
