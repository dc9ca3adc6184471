"""How a surface mirrors the flash: the description of its gloss."""

from __future__ import annotations

from pydantic import Field
from pydantic.dataclasses import dataclass

from ..rig import STRICT
from .texture.palette import Colour


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Gloss:
    """A skin that mirrors the flash on the camera, on top of the surface's own colour.

    The mirrored light is that of a rough boundary between air and a clear matter: microfacets with
    the distribution GGX, masked as Smith says, each mirroring as Fresnel's formulae say (Walter et
    al. 2007, Microfacet models for refraction through rough surfaces). It moves over the surface
    as the camera moves, and is sharp where the mirror image of the flash is in focus, which on a
    bulging surface lies beneath it.

    Parameters
    ----------
    roughness : float
        Width of the distribution of slopes, the alpha of the paper: 0.02 is wet or lacquered, 0.1
        waxy, 0.3 silky, 0.6 hardly glossy.
    index : float
        Refractive index: 1.33 water, 1.5 wax, 1.56 the skin of insects; 2 to 4 stand for metallic
        sheen. Looked at straight, ((index - 1) / (index + 1))^2 of the light is mirrored.
    tint : colour
        What the mirrored light is multiplied by: white but for metals and iridescent skins.
    """

    roughness: float = Field(default=0.1, ge=0.01, le=1)
    index: float = Field(default=1.5, gt=1, le=4)
    tint: Colour = (1.0, 1.0, 1.0)
