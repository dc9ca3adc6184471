"""What a stack with its truth answers, be it a folder or in memory."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from ...ground.types import Image
from ...simulator.shooting.any_shoot import AnyShoot
from ...simulator.shooting.truth import Truth


class AnyStack(Protocol):
    """A stack that can be judged: frames, what the camera wrote about them, and the truth."""

    @property
    def shoot(self) -> AnyShoot:
        """The shoot that it comes from."""
        ...

    @property
    def truth(self) -> Truth:
        """The truth in the view of the reference."""
        ...

    @property
    def info(self) -> Mapping[str, Any]:
        """The stack's frames.json."""
        ...

    @property
    def frames(self) -> Sequence[Image]:
        """The frames as written, maybe read when they are asked for."""
        ...
