"""What each frame of a shoot sees, found once for all the views that results are judged in."""

from __future__ import annotations

from dataclasses import dataclass, field

from ...ground.types import Floats
from ...simulator.shooting.any_shoot import AnyShoot
from ...simulator.shooting.motion import Nearest, nearest, places_in

#: What all frames see is held where it takes no more than this.
_KEPT_BYTES = 256e6


@dataclass(frozen=True, eq=False)
class SeenByFrames:
    """What the frames of a shoot see at their pixels' centres.

    What hides a point in a frame is the same from whichever view one asks.

    Parameters
    ----------
    shoot : AnyShoot
    """

    shoot: AnyShoot
    _held: dict[int, Nearest] = field(default_factory=dict)

    def nearest(self, frame: int) -> Nearest:
        """Return what a frame sees at each pixel's centre."""
        if frame in self._held:
            return self._held[frame]
        seen = nearest(self.shoot.scene, self.shoot.camera(frame))
        if (seen.depth_mm.nbytes + seen.part.nbytes) * self.shoot.frames <= _KEPT_BYTES:
            self._held[frame] = seen
        return seen

    def places(self, frame: int, *, of: int) -> Floats:
        """Return where a frame has what another one's pixels show.

        Parameters
        ----------
        frame : int
            In which.
        of : int
            Whose pixels they are.

        Returns
        -------
        array (rows, cols, 2) of float32
            As `places_in` gives them.
        """
        front = self.nearest(frame).depth_mm
        return places_in(self.nearest(of), self.shoot.camera(frame), front=front)
