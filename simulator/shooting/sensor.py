"""From light to a written frame: photons, electrons, digital numbers, sRGB code values.

Linear camera model and its terms follow EMVA 1288: a pixel's mean is black level + K electrons, its
variance K^2 read_noise^2 + 1/12 + K (mean - black level).
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from ...ground.srgb import encode_srgb
from ...ground.types import Floats
from ..rig import Rig, Sensor
from ..streams import stream

Numbers = npt.NDArray[np.uint16]

BASE_ISO = 100.0

_STRIP_ROWS = 256
_NORMAL_FROM_E = 100.0


def gain_dn_per_e(sensor: Sensor, *, iso: float = BASE_ISO) -> float:
    """Return K: digital numbers per electron. Saturation at any ISO is the highest number."""
    return (2**sensor.bits - 1 - sensor.black_level_dn) / saturation_e(sensor, iso=iso)


def saturation_e(sensor: Sensor, *, iso: float = BASE_ISO) -> float:
    """Return the electrons that saturate a pixel: the full well at base ISO, fewer above."""
    if not iso >= BASE_ISO:
        raise ValueError(f"iso must be >= the base ISO {BASE_ISO:g}, got {iso}")
    return sensor.full_well_e * BASE_ISO / iso


def expose(
    image: Floats,
    rig: Rig,
    *,
    iso: float = BASE_ISO,
    rng: np.random.Generator | int | None = None,
    camera: int = 0,
    noise: bool = True,
    bayer: bool = False,
) -> Numbers:
    """Expose the sensor to a linear image and return its digital numbers.

    Parameters
    ----------
    image : ndarray of float32, shape (H, W, 3)
        Light on the sensor, linear; 1.0 saturates at the ISO in use. So ISO 400 stands for a
        quarter of the light of base ISO, and for a quarter of the electrons.
    rig : Rig
    iso : float
        From the base ISO 100 upward.
    rng : Generator, int or None
        Shot and read noise of this frame.
    camera : int
        Number of the camera body: its fixed pattern (PRNU and DSNU) is the same in every frame.
    noise : bool
        False leaves out shot noise, read noise and fixed pattern; the converter still rounds.
    bayer : bool
        One colour a pixel in the order red, green / green, blue, instead of three.

    Returns
    -------
    ndarray of uint16, shape (H, W, 3), or (H, W) with bayer
    """
    if image.ndim != 3 or image.shape[2] != 3:
        raise ValueError(f"image must have shape (H, W, 3), got {image.shape}")
    light = mosaic(image) if bayer else image
    shot = np.random.default_rng(rng)
    numbers = np.empty(light.shape, dtype=np.uint16)
    prnu, dsnu = (stream(camera, rig.name, effect) for effect in ("prnu", "dsnu"))
    saturation = np.float32(saturation_e(rig.sensor, iso=iso))
    for rows in _strips(len(light)):
        electrons = np.clip(light[rows], 0, None, dtype=np.float32) * saturation
        if noise:
            electrons = _noisy(electrons, rig.sensor, shot=shot, prnu=prnu, dsnu=dsnu)
        numbers[rows] = _convert(electrons, rig.sensor, iso=iso)
    return numbers


def develop(
    numbers: Numbers,
    rig: Rig,
    *,
    bits: Literal[8, 16] = 16,
    encoding: Literal["srgb", "linear"] = "srgb",
) -> npt.NDArray[np.uint8] | npt.NDArray[np.uint16]:
    """Turn digital numbers into the code values of a written frame.

    Black level off, saturation to 1.0, a mosaic filled in, then sRGB-encoded and rounded. What
    noise takes below black is cut to 0, as cameras do.

    Parameters
    ----------
    numbers : ndarray of uint16, shape (H, W, 3) or (H, W)
    rig : Rig
    bits : {8, 16}
    encoding : {"srgb", "linear"}

    Returns
    -------
    ndarray of uint8 or uint16, shape (H, W, 3)
    """
    if numbers.ndim == 3:
        return _code_table(rig.sensor, bits, encoding).take(numbers, mode="clip")
    codes = np.empty((*numbers.shape, 3), dtype=np.uint8 if bits == 8 else np.uint16)
    for rows in _strips(len(numbers)):
        # Two rows more on each side keep the tile's order and all that the filling looks at.
        first = max(rows.start - 2, 0)
        filled = fill_mosaic(to_linear(numbers[first : rows.stop + 2], rig))
        linear = filled[rows.start - first :][: rows.stop - rows.start]
        codes[rows] = quantise(encode_srgb(linear) if encoding == "srgb" else linear, bits=bits)
    return codes


def to_linear(numbers: Numbers, rig: Rig) -> Floats:
    """Return digital numbers as linear light, black = 0, saturation = 1, not clipped below."""
    black, top = rig.sensor.black_level_dn, 2**rig.sensor.bits - 1
    return ((numbers - np.float32(black)) / np.float32(top - black)).astype(np.float32, copy=False)


def quantise(
    values: npt.ArrayLike, *, bits: Literal[8, 16] = 16
) -> npt.NDArray[np.uint8] | npt.NDArray[np.uint16]:
    """Round values 0..1 to unsigned integers of 8 or 16 bits; values outside are clipped."""
    if bits not in (8, 16):
        raise ValueError(f"bits must be 8 or 16, got {bits}")
    top = np.float32(2**bits - 1)
    codes = np.rint(np.clip(np.asarray(values, dtype=np.float32), 0, 1) * top)
    return codes.astype(np.uint8 if bits == 8 else np.uint16)


def mosaic(image: Floats) -> Floats:
    """Keep one colour a pixel: red at even rows and columns, blue at odd ones, green between."""
    kept = image[..., 1].copy()
    kept[0::2, 0::2] = image[0::2, 0::2, 0]
    kept[1::2, 1::2] = image[1::2, 1::2, 2]
    return kept


def fill_mosaic(plane: Floats) -> Floats:
    """Fill in the colours a mosaic left out by the mean of the nearest ones (bilinear).

    Parameters
    ----------
    plane : ndarray of float32, shape (H, W)

    Returns
    -------
    ndarray of float32, shape (H, W, 3)
    """
    height, width = plane.shape
    # Mirrored about the edge pixels, which keeps every colour at its place in the tile.
    wide = np.pad(plane, 1, mode="reflect")
    centre = wide[1:-1, 1:-1]
    up, down, left, right = wide[:-2, 1:-1], wide[2:, 1:-1], wide[1:-1, :-2], wide[1:-1, 2:]
    beside, above = (left + right) / 2, (up + down) / 2
    corners = (wide[:-2, :-2] + wide[:-2, 2:] + wide[2:, :-2] + wide[2:, 2:]) / 4
    filled = np.empty((height, width, 3), dtype=np.float32)
    for row in (0, 1):
        for column in (0, 1):
            site = np.s_[row::2, column::2]
            own = 2 if row else 0
            if row == column:
                filled[site][..., own] = centre[site]
                filled[site][..., 1] = (beside[site] + above[site]) / 2
                filled[site][..., 2 - own] = corners[site]
            else:
                filled[site][..., own] = beside[site]
                filled[site][..., 1] = centre[site]
                filled[site][..., 2 - own] = above[site]
    return filled


def _noisy(
    electrons: Floats,
    sensor: Sensor,
    *,
    shot: np.random.Generator,
    prnu: np.random.Generator,
    dsnu: np.random.Generator,
) -> Floats:
    """Add fixed pattern, shot noise and read noise to mean electrons, in place."""
    if sensor.prnu > 0:
        electrons *= 1 + np.float32(sensor.prnu) * prnu.standard_normal(
            electrons.shape, dtype=np.float32
        )
        np.maximum(electrons, 0, out=electrons)
    offset = (
        np.float32(sensor.dsnu_e) * dsnu.standard_normal(electrons.shape, dtype=np.float32)
        if sensor.dsnu_e > 0
        else np.float32(0)
    )
    grain = shot.standard_normal(electrons.shape, dtype=np.float32)
    few = electrons < _NORMAL_FROM_E
    counts = shot.poisson(electrons[few]).astype(np.float32)
    # Many electrons: shot and read noise are one normal draw of their summed variance.
    read = np.float32(sensor.read_noise_e)
    spread = np.sqrt(np.where(few, 0, electrons) + read**2)
    electrons[few] = counts
    electrons += spread * grain
    electrons += offset
    return electrons


def _convert(electrons: Floats, sensor: Sensor, *, iso: float) -> Numbers:
    numbers = electrons * np.float32(gain_dn_per_e(sensor, iso=iso))
    numbers += np.float32(sensor.black_level_dn)
    return np.rint(np.clip(numbers, 0, 2**sensor.bits - 1)).astype(np.uint16)


@lru_cache(maxsize=8)
def _code_table(
    sensor: Sensor, bits: Literal[8, 16], encoding: str
) -> npt.NDArray[np.uint8] | npt.NDArray[np.uint16]:
    """Code value of every digital number: a table is far cheaper than a power a pixel."""
    black, top = sensor.black_level_dn, 2**sensor.bits - 1
    linear = (np.arange(top + 1) - black) / (top - black)
    return quantise(encode_srgb(linear) if encoding == "srgb" else linear, bits=bits)


def _strips(rows: int) -> Iterator[slice]:
    for first in range(0, rows, _STRIP_ROWS):
        yield slice(first, min(first + _STRIP_ROWS, rows))
