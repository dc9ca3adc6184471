"""A flat card through focus, by the exact transfer function of lens and pixel; no edges, no hands.

What depth from focus can do at best is tried on it: the whole picture has one true depth.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import fft

from ...ground.types import Doubles, Floats
from ...simulator import Rig
from ...simulator.optics import defocus_mm, rig_f_number
from ...simulator.transfer import defocus_otf

#: One wavelength stands for the light, um.
WAVELENGTH_UM = 0.55
_RADII = 512


def card_sweep(card: Floats, offsets_mm: npt.ArrayLike, rig: Rig) -> Floats:
    """Return frames of a flat card, one for each distance from focus.

    Parameters
    ----------
    card : array (rows, cols)
        What a lens without blur would draw, 0..1; it goes on beyond its rim as if repeated.
    offsets_mm : array_like (n,)
        How far behind the plane of focus the card is, mm.
    rig : Rig

    Returns
    -------
    array (n, rows, cols) of float32

    Notes
    -----
    A clear circular pupil with defocus (Hopkins 1955) times the box of a square pixel.
    """
    down = fft.fftfreq(card.shape[0])[:, None]
    across = fft.rfftfreq(card.shape[1])[None, :]
    pixel = np.sinc(down) * np.sinc(across)
    pitch_um = rig.sensor.pitch_um
    # Cut-off is 1 / (wavelength * f-number); reduced frequency 2 there.
    reduced = 2.0 * np.hypot(down, across) / pitch_um * WAVELENGTH_UM * rig_f_number(rig)
    waves = np.asarray(defocus_mm(rig, np.asarray(offsets_mm, float))) * 1e3 / WAVELENGTH_UM
    radii = np.linspace(0.0, float(reduced.max()), _RADII)
    spectrum = fft.rfft2(card.astype(np.float64)) * pixel
    frames = [
        fft.irfft2(spectrum * np.interp(reduced, radii, defocus_otf(radii, wave)), card.shape)
        for wave in waves
    ]
    return np.stack(frames).astype(np.float32)


def with_noise(frames: Floats, *, grey_levels: float, rng: np.random.Generator) -> Floats:
    """Add to each frame its own noise of a standard deviation in grey levels of 255."""
    noise = rng.standard_normal(frames.shape, dtype=np.float32)
    return frames + np.float32(grey_levels / 255.0) * noise


def typical_error(error: Doubles) -> float:
    """Return the size of an error that outliers do not carry: 1.4826 times the median of it.

    For a Gaussian error without bias it is the root of the mean square.
    """
    return float(1.4826 * np.median(np.abs(error)))
