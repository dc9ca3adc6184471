"""How the scene's light falls on a surface; it depends on the surface alone, not on the camera."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ...ground.arrays import namespace, single
from ..scene.scene import Lighting

_LEAST_TOWARD = 0.2


def light_direction(lighting: Lighting) -> npt.NDArray[np.float64]:
    """Return the unit vector from the subject to the light, object axes."""
    toward = np.array(lighting.toward)
    return toward / np.linalg.norm(toward)


def brightness(lighting: Lighting, facing: npt.NDArray) -> npt.NDArray:
    """Return the light that a dull surface sends out.

    Parameters
    ----------
    lighting : Lighting
    facing : array
        Cosine between the outward normal and the direction to the light.

    Returns
    -------
    array
        1 for a surface that faces the nominal camera, at least the ambient share.
    """
    frontal = max(-light_direction(lighting)[2], _LEAST_TOWARD)
    ambient = np.float32(lighting.ambient)
    share = single((1 - ambient) / np.float32(frontal))
    return single(ambient) + share * namespace(facing).maximum(facing, 0)  # type: ignore[no-any-return]
