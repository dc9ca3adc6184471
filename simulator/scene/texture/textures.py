"""What colours a surface: frozen descriptions, and one function that paints any of them.

A texture is sampled at points of its own plane, in millimetres, for a pixel of a stated size on
the subject: nothing finer than about two pixels is in the answer, and much beyond that size every
texture tends to its mean colour.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated, Any, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field
from pydantic.dataclasses import dataclass, rebuild_dataclass

from ....ground.arrays import namespace, single, take, write_at
from ....ground.types import Floats
from ...rig import STRICT
from ..pattern import tiles
from .masks import MASK_SEED, Mask, cover
from .own_picture import OwnPicture
from .painters import Painter, painter
from .palette import mixed
from .plain import Cells, Flat, Octaves, Photo
from .scales import ScaleSkin
from .target import Bars, Checker, Edges, Grain, Spokes
from .tray import LeafSkin, ShellSkin

__all__ = ["Texture", "sample"]


# Pixel sizes are rounded to sixteenths of an octave, so that the frames of a stack, which differ
# by little, share their tiles.
_SIZES_PER_OCTAVE = 16


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Layered:
    """One texture over parts of another.

    Parameters
    ----------
    under, over : Texture
        Any kinds, layered ones too.
    mask : Mask
        Where `over` lies.
    strength : float
        Opacity of `over`, 0 to 1.
    """

    under: Texture
    over: Texture
    mask: Mask
    strength: float = Field(default=1.0, ge=0, le=1)
    kind: Literal["layered"] = "layered"


Texture = Annotated[
    Flat
    | Octaves
    | Photo
    | OwnPicture
    | Cells
    | Bars
    | Edges
    | Checker
    | Spokes
    | Grain
    | LeafSkin
    | ShellSkin
    | ScaleSkin
    | Layered,
    Field(discriminator="kind"),
]
rebuild_dataclass(Layered, force=True)  # type: ignore[arg-type]


@painter.register
def _layered(texture: Layered, footprint_mm: float, seed: int) -> Painter:
    under = painter(texture.under, footprint_mm, seed)
    over = painter(texture.over, footprint_mm, seed)
    share = cover(texture.mask, footprint_mm, seed + MASK_SEED)
    strength = single(texture.strength)

    def paint(x: Floats, y: Floats) -> Floats:
        xp, opacity = namespace(x), strength * share(x, y)
        covered = xp.nonzero(opacity > 0)[0]
        if 2 * covered.size > x.size:
            return mixed(under(x, y), over(x, y), opacity)
        colour = under(x, y)
        if covered.size:
            top = over(take(x, covered), take(y, covered))
            under_it = xp.take(colour.T, covered, axis=1).T  # as it lies in memory
            write_at(colour, (covered,), mixed(under_it, top, take(opacity, covered)))
        return colour

    return paint


def sample(
    texture: Any, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike, *, footprint_mm: float, seed: int
) -> Floats:
    """Paint points of a surface.

    Parameters
    ----------
    texture : Texture
    x_mm, y_mm : array_like
        Points in the plane of the texture, mm, any equal shape; float32 is enough.
    footprint_mm : float
        Side of a pixel on the subject, >= 0. Keep it the same for all frames of a stack.
    seed : int
        The same seed and texture give the same colours; another seed, another patch.

    Returns
    -------
    ndarray of float32
        Linear colours, 1 for a perfect white reflector, shape of the points plus (3,).

    Raises
    ------
    ValueError
        Where the footprint is negative.
    """
    if not footprint_mm >= 0:
        raise ValueError(f"footprint_mm must be >= 0, got {footprint_mm}")
    if footprint_mm > 0:
        octave = round(np.log2(footprint_mm) * _SIZES_PER_OCTAVE)
        footprint_mm = float(2.0 ** (octave / _SIZES_PER_OCTAVE))
    return tiles.in_chunks(_prepared(texture, footprint_mm, seed), x_mm, y_mm)


@lru_cache(maxsize=32)
def _prepared(texture: Any, footprint_mm: float, seed: int) -> Painter:
    return painter(texture, footprint_mm, seed)
