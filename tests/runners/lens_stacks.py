"""Stepped stacks of a flat card, made of Hopkins' series and nothing of the house."""

import numpy as np
from scipy.special import jv

from stacktruth.runners.calibrate.lens.shots import SteppedShots
from stacktruth.simulator.rig import Lens, Rig, Sensor

#: One wavelength a channel, um.
WAVELENGTHS = ((0.61,), (0.54,), (0.46,))


def hopkins_series(s, w):
    """Transfer of a clear pupil with defocus, by Hopkins' series (Proc. R. Soc. A 231, 91, 1955).

    Its form after the source of DIPlib 3, an outside library; s is 0 to 2, w in waves at the edge.
    """
    s, w = np.broadcast_arrays(np.minimum(s, 2.0), w)
    a = np.maximum(4 * np.pi * np.abs(w) * s, 1e-6)
    beta = np.arccos(s / 2)
    even, odd = beta * jv(1, a), np.zeros(a.shape)
    for k in range(1, int(a.max() / 2) + 15):
        term = np.sin(2 * k * beta) / (2 * k) * (jv(2 * k - 1, a) - jv(2 * k + 1, a))
        even = even + (-1) ** (k + 1) * term
    for k in range(int(a.max() / 2) + 15):
        angle = np.sin((2 * k + 1) * beta) / (2 * k + 1)
        odd = odd + (-1) ** k * angle * (jv(2 * k, a) - jv(2 * k + 2, a))
    return 4 / (np.pi * a) * (np.cos(a * s / 2) * even - np.sin(a * s / 2) * odd)


def card(size, *, seed=0, slope=1.2):
    """Return a grained card, periodic: noise whose amplitude falls with the frequency."""
    f = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None, :])
    noise = np.fft.rfft2(np.random.default_rng(seed).standard_normal((size, size)))
    picture = np.fft.irfft2(noise / np.maximum(f, 4 / size) ** slope, (size, size))
    return 0.4 + 0.09 * picture / picture.std()


def card_frame(picture, *, f_number, blur_px, pitch_um, noise, rng):
    """Return what a lens makes of a card, with the blur disc of each channel, px, signed."""
    size = len(picture)
    fy, fx = np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None, :]
    f = np.hypot(fy, fx)
    # The series once per frequency; the plane of frequencies is filled from there.
    fine = np.linspace(0, f.max(), 200)
    planes = []
    for (wavelength,), blur in zip(WAVELENGTHS, blur_px, strict=True):
        reduced = 2 * fine * wavelength * f_number / pitch_um
        waves = blur * pitch_um / (8 * f_number * wavelength)
        transfer = np.where(reduced < 2, hopkins_series(reduced, waves), 0.0)
        transfer = np.interp(f, fine, transfer) * np.sinc(fx) * np.sinc(fy)
        planes.append(np.fft.irfft2(np.fft.rfft2(picture) * transfer, picture.shape))
    image = np.stack(planes, axis=2)
    return (image + noise * rng.standard_normal(image.shape)).astype(np.float32)


def card_stack(
    *, f_number=14.0, magnification=1.6, step_mm=0.03, frames=15, size=256, pitch_um=4.0,
    colour_steps=(0.8, 0.0, 0.5), noise=0.002, focus=7.3, picture=None, **known,
):  # fmt: skip
    """Return a stack of a card, and the rig with the wavelengths that it was made of."""
    picture = card(size) if picture is None else picture
    per_step = magnification**2 * step_mm * 1e3 / (f_number * pitch_um)
    rng = np.random.default_rng(1)
    made = [
        card_frame(
            picture, f_number=f_number, pitch_um=pitch_um, noise=noise, rng=rng,
            blur_px=[per_step * (focus - shift - frame) for shift in colour_steps],
        )
        for frame in range(frames)
    ]  # fmt: skip
    return shots_of(made, pitch_um=pitch_um, **{"step_mm": step_mm, **known}), any_rig(pitch_um)


def shots_of(frames, *, pitch_um, step_mm=None, magnification=None, **known):
    """Return frames in memory as a stack of which step or magnification is known."""
    return SteppedShots(
        frames=frames,
        shape=frames[0].shape[:2],
        linear=True,
        pitch_um=pitch_um,
        stops=np.arange(len(frames), dtype=float),
        directed=True,
        step_mm=step_mm,
        magnification=magnification,
        told_by={},
        **{"focal_length_mm": 60.0, **known},
    )


def any_rig(pitch_um):
    """Return a rig with these wavelengths."""
    return Rig(
        name="any",
        lens=Lens(focal_length_mm=50, f_number=4, magnification=1),
        sensor=Sensor(width_px=256, height_px=256, pitch_um=pitch_um),
        wavelengths_um=WAVELENGTHS,
    )
