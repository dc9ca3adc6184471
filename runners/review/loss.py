"""What defocus leaves of detail, by the transfer function of the rig."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...ground.types import Doubles
from ...simulator.optics import defocus_mm
from ...simulator.rig import Rig
from ...simulator.transfer import pixel_mtf, polychromatic_otf
from .detail import band_transfers

#: Frequencies at which a band is sampled, cycles per working pixel.
_FREQUENCIES = np.geomspace(0.008, 0.5, 48)
#: Offsets are sampled this much finer than the depth that one frame holds.
_FINE = 12


@dataclass(frozen=True, eq=False, kw_only=True)
class DefocusLoss:
    """Share of the in-focus energy that each band keeps out of focus.

    Parameters
    ----------
    offsets_mm : array (offsets,)
        Behind the plane of focus, rising.
    kept : array (bands, offsets)
        1 in focus.
    """

    offsets_mm: Doubles
    kept: Doubles

    def at(self, offsets_mm: Doubles) -> Doubles:
        """Return the share kept at offsets, (bands, *offsets); that of the end farther out."""
        return np.stack([np.interp(offsets_mm, self.offsets_mm, band) for band in self.kept])

    def spread(self, width_mm: float) -> DefocusLoss:
        """Return the loss of a part of the picture whose depth spreads over a width."""
        step = self.offsets_mm[1] - self.offsets_mm[0]
        reach = round(width_mm / 2 / step)
        if reach == 0:
            return self
        padded = np.pad(self.kept, ((0, 0), (reach, reach)), mode="edge")
        sums = np.cumsum(np.pad(padded, ((0, 0), (1, 0))), axis=1)
        width = 2 * reach + 1
        return DefocusLoss(
            offsets_mm=self.offsets_mm, kept=(sums[:, width:] - sums[:, :-width]) / width
        )


def loss_of(rig: Rig, *, pixel_um: float, lane_mm: float, reach_mm: float) -> DefocusLoss:
    """Return what defocus leaves of each band.

    Parameters
    ----------
    rig : Rig
    pixel_um : float
        Side of a working pixel on the sensor.
    lane_mm : float
        Depth that one frame holds.
    reach_mm : float
        Largest offset to either side.

    Notes
    -----
    The energy of a band is the integral of the square of its transfer, the lens's and the pixel's,
    over the spectrum of the subject. That is taken as the same in each octave, as it is on average
    in natural scenes (power falls with the square of the frequency: D. J. Field, J. Opt. Soc. Am. A
    4, 2379, 1987; from memory); bands are narrow, so little hangs on it.
    """
    count = int(np.ceil(reach_mm * _FINE / lane_mm))
    offsets = np.linspace(-reach_mm, reach_mm, 2 * count + 1)
    on_sensor = _FREQUENCIES * rig.sensor.pitch_um / pixel_um
    lens = polychromatic_otf(
        rig, on_sensor[:, np.newaxis], defocus_mm=defocus_mm(rig, offsets)[np.newaxis]
    )
    own = band_transfers(_FREQUENCIES) * pixel_mtf(_FREQUENCIES)
    energy = own**2 @ lens**2  # equal steps of the logarithm: the same energy in each octave
    return DefocusLoss(offsets_mm=offsets, kept=energy / energy[:, [count]])
