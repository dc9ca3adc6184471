"""A stacking method as a recipe: select, align, equalise, fuse, give depth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from ..contract import Result
from .align.align import Alignment, AlignStage, chained
from .align.aligned import AlignedFrames
from .align.equalise import EqualiseStage, channel_gain
from .align.register import RegistrationError
from .align.select import SelectStage, well_exposed
from .fuse.depth import depth_of_fusion
from .fuse.fused import DepthStage, FuseStage
from .picture.stack import InputStack
from .picture.tone import like


@dataclass(frozen=True, kw_only=True)
class Recipe:
    """A named chain of stages. Change a stage with `dataclasses.replace`.

    Parameters
    ----------
    name, title : str
        Name in the tables, and a line for people.
    paper : str
        Where the method comes from.
    from_memory : str
        Its rules and constants that were not taken from a source at hand.
    streams : bool
        Whether its memory is independent of the number of frames, apart from the small copies.
    fuse, select, align, equalise, depth : callable
        The stages.
    """

    name: str
    title: str
    fuse: FuseStage
    paper: str = ""
    from_memory: str = ""
    streams: bool = True
    select: SelectStage = well_exposed
    align: AlignStage = chained
    equalise: EqualiseStage = channel_gain
    depth: DepthStage = depth_of_fusion

    def __call__(self, frames: Sequence[Any], info: Mapping[str, Any]) -> Result:
        """Merge a stack.

        Parameters
        ----------
        frames : sequence of array (rows, cols, 3)
            uint8, uint16 or float; may be lazy.
        info : mapping
            The stack's frames.json.

        Raises
        ------
        ValueError
            When no frame is usable or the frames cannot be aligned.
        """
        stack = InputStack(frames, info)
        chosen = self.select(stack)
        if not chosen:
            raise ValueError(f"none of the {len(stack)} frames is usable")
        alignment = self._aligned(stack, chosen)
        aligned = AlignedFrames(stack, alignment, self.equalise(stack, alignment))
        fused = self.fuse(aligned)
        return Result(
            image=like(fused.image, stack.dtype),
            depth=self.depth(aligned, fused),
            depth_unit="frame",
            reference=alignment.reference,
            used=alignment.used,
        )

    def _aligned(self, stack: InputStack, chosen: Sequence[int]) -> Alignment:
        """Lay the chosen frames on the frame that is asked for, be it chosen or not."""
        view = stack.reference
        if view is None or view in chosen:
            return self.align(stack, chosen, reference=view)
        # Frames that are not merged may lead from that view to those that are.
        steps = sorted({*chosen, *well_exposed(stack), view})
        alignment = self.align(stack, steps, reference=view)
        used = tuple(frame for frame in alignment.used if frame in chosen)
        if not used:
            raise RegistrationError(f"no chosen frame could be laid on frame {view}")
        return replace(alignment, used=used)
