"""Image motion during an exposure, and the blur it makes, by its characteristic function.

A picture that moves along a path while it is exposed is blurred by the share of the light that it
got at each place. In the Fourier domain that is the mean of exp(-2 pi i (u x + v y)) over the path.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ...ground.arrays import fft2, fft_side, image_filter, namespace, sent, write
from ...ground.types import Doubles, Floats
from ..handling.flash import Flash, light_gains, pulse_weights
from ..handling.hands import Hands
from ..handling.light import Light
from ..handling.sway import Swaying
from ..view.camera import Camera

#: Motion below this, px rms, leaves a picture as it is.
STILL_PX = 0.02
#: Light is followed this far along a motion; a picture that moves farther is lost anyway.
_FARTHEST_PX = 256
_FLASH_SAMPLES = 9
_AMBIENT_SAMPLES = 17


@dataclass(frozen=True, eq=False)
class Path:
    """Places that a picture takes during an exposure, about their mean.

    Parameters
    ----------
    shift_px : array (n, 2)
        Down and across.
    weights : array (n,)
        Share of the light at each place; they sum to 1.
    """

    shift_px: Doubles
    weights: Doubles

    @property
    def rms_px(self) -> float:
        """Root of the mean squared distance from the mean place."""
        return float(np.sqrt(self.weights @ np.square(self.shift_px).sum(axis=1)))

    @property
    def still(self) -> bool:
        """Whether the motion is too small to count."""
        return self.rms_px < STILL_PX

    @property
    def reach_px(self) -> int:
        """How far from its mean place the light goes, whole pixels."""
        return min(int(np.ceil(np.abs(self.shift_px).max())), _FARTHEST_PX)

    def transfer(
        self, shape: tuple[int, int], scale: int = 1, xp: Any = np
    ) -> npt.NDArray[np.complex64]:
        """Return the transfer of the motion on the grid of a real FFT of merged pixels."""
        down = np.exp(-2j * np.pi * np.outer(np.fft.fftfreq(shape[0]), self.shift_px[:, 0] / scale))
        across = np.exp(
            -2j * np.pi * np.outer(self.shift_px[:, 1] / scale, np.fft.rfftfreq(shape[1]))
        )
        whole = sent(down * self.weights, xp) @ sent(across, xp)
        return xp.astype(whole, xp.complex64)  # type: ignore[no-any-return]


@dataclass(frozen=True, eq=False)
class Smear:
    """The motion of everything, and that of the living parts on top of it.

    Parameters
    ----------
    shake : Path
        From the camera, the same for the whole picture.
    subject : Path
        Of the living parts, to be added to it.
    rms_px : float
        Of both together.
    """

    shake: Path
    subject: Path
    rms_px: float


def smear_of(
    light: Light, flash: Flash, hands: Hands, swaying: Swaying, camera: Camera, *, frame: int
) -> Smear:
    """Return the image motion during one exposure, in the plane of focus."""
    times, weights = exposed(light, flash)
    per_mm = camera.focal_px / camera.distance_mm
    track = hands.track(flash.time_s + times, frames=np.full(len(times), frame))
    turn = camera.focal_px * 1e-3
    shake = np.stack(
        [-per_mm * track[:, 1] + turn * track[:, 3], -per_mm * track[:, 0] - turn * track[:, 4]],
        axis=1,
    )
    sway = per_mm * swaying.track(flash.time_s + times)[:, 1::-1]
    return Smear(
        shake=_about_mean(shake, weights),
        subject=_about_mean(sway, weights),
        rms_px=_about_mean(shake + sway, weights).rms_px,
    )


def exposed(light: Light, flash: Flash) -> tuple[Doubles, Doubles]:
    """Return times from the opening of the shutter, s, and the share of the light at each."""
    burst, ambient = light_gains(light, flash)
    times, weights = [np.zeros(1)], [np.zeros(1)]
    if burst.sum() > 0 and light.flash is not None:
        times.append(flash.duration_s * (np.arange(_FLASH_SAMPLES) + 0.5) / _FLASH_SAMPLES)
        weights.append(burst.mean() * pulse_weights(light.flash, _FLASH_SAMPLES))
    if ambient.sum() > 0:
        times.append(light.exposure_s * (np.arange(_AMBIENT_SAMPLES) + 0.5) / _AMBIENT_SAMPLES)
        weights.append(np.full(_AMBIENT_SAMPLES, ambient.mean() / _AMBIENT_SAMPLES))
    total = np.concatenate(weights)
    if total.sum() == 0:
        return np.zeros(1), np.ones(1)
    return np.concatenate(times), total / total.sum()


def smeared(picture: Floats, path: Path) -> Floats:
    """Blur a picture by a motion; its edge goes on as a mirror image."""
    if path.still:
        return picture
    margin = int(np.ceil(3 * np.abs(path.shift_px).max())) + 2
    xp, (rows, cols) = namespace(picture), picture.shape[:2]
    places = [np.pad(np.arange(n), margin, mode="symmetric") for n in (rows, cols)]
    down, across = (sent(place, xp) for place in places)
    high, wide = (fft_side(len(place), xp) for place in places)
    transfer = path.transfer((high, wide), xp=xp)
    out = xp.empty_like(picture)
    for channel in range(3):
        field = xp.zeros((high, wide), dtype=xp.float32)
        whole = xp.take(xp.take(picture[..., channel], down, axis=0), across, axis=1)
        field[: whole.shape[0], : whole.shape[1]] = whole
        light = fft2(field)
        light *= transfer
        moved = fft2(light, (high, wide))
        out[..., channel] = moved[margin : margin + rows, margin : margin + cols]
    write("maximum", out, 0, out=out)
    return out  # type: ignore[no-any-return]


def rolled(picture: Floats, speed_px_per_s: tuple[float, float], readout_s: float) -> Floats:
    """Skew a picture that moved while its rows were read one after another.

    Parameters
    ----------
    picture : array (rows, cols, 3)
    speed_px_per_s : (down, across)
        Of the picture on the sensor.
    readout_s : float
        From the first row to the last; the middle row is where it would be at once.
    """
    rows = picture.shape[0]
    per_row = np.array(speed_px_per_s) * readout_s / rows
    if np.abs(per_row).max() * rows < STILL_PX:
        return picture
    # A row r shows what was at r - v t(r), t running from -1/2 to 1/2 of the read-out.
    matrix = np.array([[1 - per_row[0], 0.0], [-per_row[1], 1.0]])
    offset = per_row * (rows - 1) / 2
    xp = namespace(picture)
    out, matrix = xp.empty_like(picture), sent(matrix, xp)
    for channel in range(3):
        layer = picture[..., channel]
        out[..., channel] = image_filter(
            "affine_transform", layer, matrix, offset.tolist(), mode="mirror"
        )
    write("maximum", out, 0, out=out)
    return out  # type: ignore[no-any-return]


def image_speed_px_per_s(hands: Hands, camera: Camera, time_s: float) -> tuple[float, float]:
    """Return how fast the picture of the plane of focus moves over the sensor, (down, across)."""
    speed = hands.velocity(time_s)[0]
    per_mm, turn = camera.focal_px / camera.distance_mm, camera.focal_px * 1e-3
    return (
        float(-per_mm * speed[1] + turn * speed[3]),
        float(-per_mm * speed[0] - turn * speed[4]),
    )


def _about_mean(shift: Doubles, weights: Doubles) -> Path:
    return Path(shift - weights @ shift, weights)
