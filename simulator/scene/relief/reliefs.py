"""How high a surface stands: frozen descriptions, and one function that measures any of them.

Heights are in millimetres toward the camera (z falls as height grows), over the surface's own
x (right) and y (down). Every relief has finite slopes and known bounds.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated, Any, Literal

import numpy.typing as npt
from pydantic import Field
from pydantic.dataclasses import dataclass, rebuild_dataclass

from ....ground.types import Floats
from ...rig import STRICT
from ..pattern import tiles
from .boards import BoardRelief
from .castings import Coin, Crystals
from .gauges import Gauge, bounds_mm, gauge, max_slope
from .height_map import HeightMap
from .patterned import Facets, Globe, Ridges, ScaleRelief
from .plain import Cone, Dome, FlatRelief, ImageRelief, Rough, Slope, Steps
from .tray import Bowl, LeafBlade, Plates, Shell

__all__ = ["FlatRelief", "Relief", "bounds_mm", "height_mm", "max_slope"]


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Sum:
    """Several reliefs on top of each other: bark on a curved twig, a coin that leans.

    Parameters
    ----------
    parts : sequence of Relief
        Their heights are added.
    """

    parts: tuple[Relief, ...] = Field(min_length=1)
    kind: Literal["sum"] = "sum"


Relief = Annotated[
    FlatRelief
    | Slope
    | Steps
    | Cone
    | Dome
    | Rough
    | LeafBlade
    | Shell
    | Coin
    | Crystals
    | Plates
    | Bowl
    | ImageRelief
    | HeightMap
    | BoardRelief
    | Globe
    | Facets
    | Ridges
    | ScaleRelief
    | Sum,
    Field(discriminator="kind"),
]
rebuild_dataclass(Sum, force=True)  # type: ignore[arg-type]


@gauge.register
def _(relief: Sum, seed: int) -> Gauge:
    gauges = [gauge(part, seed) for part in relief.parts]

    def gauge_sum(x: Floats, y: Floats) -> Floats:
        height = gauges[0](x, y)
        for more in gauges[1:]:
            height = height + more(x, y)
        return height

    return gauge_sum


@bounds_mm.register
def _(relief: Sum) -> tuple[float, float]:
    bounds = [bounds_mm(part) for part in relief.parts]
    return sum(low for low, _ in bounds), sum(high for _, high in bounds)


@max_slope.register
def _(relief: Sum) -> float:
    return sum(max_slope(part) for part in relief.parts)


def height_mm(relief: Any, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike, *, seed: int) -> Floats:
    """Return heights toward the camera, mm, float32, in the shape of the coordinates.

    Parameters
    ----------
    relief : Relief
    x_mm, y_mm : array_like
        Points of the surface's own plane, mm, equal (or broadcastable) shapes.
    seed : int
        The same seed and relief give the same heights.
    """
    return tiles.in_chunks(_prepared(relief, seed), x_mm, y_mm)


@lru_cache(maxsize=64)
def _prepared(relief: Any, seed: int) -> Gauge:
    return gauge(relief, seed)
