"""What one frame's noise is, as the sensor's model has it."""

from __future__ import annotations

import numpy as np

from ...ground.types import Floats
from ...simulator.shooting import sensor
from ...simulator.shooting.any_shoot import AnyShoot


def noise_variance(shoot: AnyShoot, light: Floats) -> Floats:
    """Return the mean square of one frame's noise in each channel, share of saturation squared.

    Shot and read noise, and what pixels and their dark signals differ by (EMVA 1288).

    Parameters
    ----------
    shoot : AnyShoot
        One without noise, or without levels to round to, has none.
    light : array (rows, cols, 3)
        What is photographed, linear, 1 = saturation.

    Returns
    -------
    array (rows, cols, 3)
    """
    if not shoot.noise or shoot.encoding == "float":
        return np.zeros(light.shape, np.float32)
    own = shoot.binned_rig.sensor
    full_e = sensor.saturation_e(own, iso=shoot.iso)
    electrons = np.clip(light, 0, 1) * np.float32(full_e)
    variance = electrons + (own.prnu * electrons) ** 2 + own.read_noise_e**2 + own.dsnu_e**2
    return np.asarray(variance / full_e**2, np.float32)
