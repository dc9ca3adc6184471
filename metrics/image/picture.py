"""A picture with what metrics need of it alone, each worked out once for all it is compared to."""

from __future__ import annotations

from functools import cached_property

import numpy.typing as npt

from ...ground import srgb
from ...ground.types import Floats
from .. import colour
from ..checks import unit_image
from . import structure


class Picture:
    """An sRGB-encoded picture, scaled to 0..1.

    Parameters
    ----------
    image : array_like
        Shape (H, W) or (H, W, 3), finite.
    data_range : float
        The value of white.
    name : str
        What to call it in an error message.
    """

    def __init__(
        self, image: npt.ArrayLike, *, data_range: float = 1.0, name: str = "image"
    ) -> None:
        self.values = unit_image(image, data_range=data_range, name=name)

    @cached_property
    def luma(self) -> Floats:
        """Luma, (H, W)."""
        return srgb.luma(self.values)

    @cached_property
    def lab(self) -> Floats:
        """CIELAB, (H, W, 3)."""
        return colour.lab(self.values)

    @cached_property
    def local_means(self) -> list[Floats]:
        """Local mean of each channel in SSIM's window, less a half, (H, W) each."""
        return [structure.local_mean(plane) for plane in structure.channels(self.values)]
