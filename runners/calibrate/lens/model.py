"""What the simulator's lens makes of contrast through focus, as a function of a few numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from ....ground.types import Doubles
from ....simulator.blur.aberration import aberrated_otf
from ....simulator.transfer import CUT_OFF, defocus_otf

#: Nodes of the tables per radian of pi f b, the phase at the edge of the blur disc.
_NODES_PER_RADIAN = 2
_LEAST_NODES = 41
#: Contrast in focus below which a frequency is not seen.
_DARK = 1e-3


@dataclass(frozen=True, kw_only=True, eq=False)
class Curves:
    """Contrast over blur of each band, over that in focus, in one colour channel.

    Parameters
    ----------
    spline : CubicSpline
        Over the signed diameter of the blur disc, px, + behind the focus; a row a band.
    reach_px : float
        Largest diameter that they hold for.
    """

    spline: CubicSpline
    reach_px: float

    def at(self, blur_px: Doubles, *, order: int = 0) -> Doubles:
        """Return the contrast, or its derivative of an order, of each band, (bands, ...)."""
        inside = np.clip(blur_px, -self.reach_px, self.reach_px)
        return np.asarray(self.spline(inside, order))


def curves_of(
    frequencies: Doubles,
    shares: Doubles,
    *,
    working_f_number: float,
    spherical_um: float,
    wavelengths_um: tuple[float, ...],
    pitch_um: float,
    reach_px: float,
) -> Curves:
    """Tabulate a lens: the exact transfer function, the mean over the channel's wavelengths.

    Parameters
    ----------
    frequencies : array (bands, nodes)
        That stand for each band, cycles per pixel.
    shares : array (nodes,)
        Of their power in focus.
    working_f_number : float
    spherical_um : float
        As in `simulator.rig.Lens`.
    wavelengths_um : tuple of float
    pitch_um : float
        Of the pixels that the bands count in.
    reach_px : float
        Largest diameter of the blur disc.

    Notes
    -----
    The blur disc is b = 8 N W020 across, so W = b pitch / (8 N lambda) waves, and the reduced
    frequency is s = 2 f lambda N / pitch. The pixel weakens all frames alike and is left out. What
    the aberration changes is added for the channel's mean wavelength and each band's mean
    frequency alone: it costs a hundred times what the transfer of a clear pupil does.
    """
    radians = 2 * reach_px * np.pi * frequencies.max()
    blur = np.linspace(-reach_px, reach_px, max(_LEAST_NODES, int(radians * _NODES_PER_RADIAN) | 1))
    middle = frequencies.shape[1] // 2

    def reduced(f: Doubles, wavelength: float) -> Doubles:
        return np.minimum(f * 2 * wavelength * working_f_number / pitch_um, CUT_OFF)[..., None]

    def waves(wavelength: float) -> Doubles:
        return np.asarray(blur * pitch_um / (8 * working_f_number * wavelength))

    contrast = np.mean(
        [defocus_otf(reduced(frequencies, one), waves(one)) for one in wavelengths_um], axis=0
    )
    if spherical_um != 0:
        mean = float(np.mean(wavelengths_um))
        s, w = reduced(frequencies[:, middle], mean), waves(mean)
        more = aberrated_otf(s, w, spherical_waves=spherical_um / mean) - defocus_otf(s, w)
        contrast += more[:, None]
    # Power is what is seen in focus; where the lens hardly shows a frequency there is none.
    in_focus = np.maximum(contrast[..., blur.size // 2], _DARK)[..., None]
    spline = CubicSpline(blur, np.einsum("bnx,n->bx", contrast / in_focus, shares), axis=1)
    return Curves(spline=spline, reach_px=reach_px)
