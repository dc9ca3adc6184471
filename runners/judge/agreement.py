"""Whether a picture lies where the truth says: by the detail that both show."""

from __future__ import annotations

import math

import numpy as np
from scipy import fft
from scipy.ndimage import gaussian_filter

from ...ground.srgb import luma
from ...ground.types import Bools, Floats

#: Detail is what lies between these two blurs, px: coarse enough to bear defocus and noise, fine
#: enough that a place a few pixels away does not look alike.
_FINE_PX, _COARSE_PX = 1.0, 4.0
#: Pictures without anything in common reach a hundredth; the one frame of a deep stack that is
#: sharp over a fiftieth of the picture reaches a seventh.
LEAST = 0.05
#: A place elsewhere is believed where the pictures agree this many times better there, and by
#: this much more.
_TIMES, _MORE = 1.5, 0.05
#: Nothing less is believed of a place elsewhere: of many places one is always a little alike.
_BELIEVED = 0.3
#: Detail of less than this, rms share of white, is too faint beside noise to tell a place by.
_TELLING = 0.005
#: Nearer than this share of the shorter side the residual fit has looked.
NEAR_SHARE = 0.05
#: Over so many pixels (sigma) neighbouring points are displaced alike.
_PARALLAX_PX = 8.0
#: Side of the pixels in which a place elsewhere is looked for, px.
_BIN = 2


def detail(plane: Floats) -> Floats:
    """Return the detail of a plane (rows, cols), without its level and its finest noise."""
    return gaussian_filter(plane, _FINE_PX) - gaussian_filter(plane, _COARSE_PX)


def agreement(first: Floats, second: Floats, mask: Bools) -> float:
    """Return the correlation of two pictures' detail, -1..1; 0 where one of them has none.

    Parameters
    ----------
    first, second : array (rows, cols, 3)
        sRGB-encoded.
    mask : array (rows, cols) of bool
        Where to compare.
    """
    return correlation(detail(luma(first))[mask], detail(luma(second))[mask])


def correlation(first: Floats, second: Floats) -> float:
    """Return the correlation of samples that have no mean of their own; 0 where there is none."""
    power = float(np.linalg.norm(first)) * float(np.linalg.norm(second))
    return float(first.ravel() @ second.ravel()) / power if power > 0 else 0.0


def apart_px(
    off: Floats,
    slopes: tuple[Floats, Floats],
    mask: Bools,
    *,
    spacing_px: float = 1.0,
    but_shift: bool = False,
) -> float:
    """Return how far points of two alike planes lie apart, px rms.

    The displacement about each point is the least-squares one (Lucas and Kanade 1981), in a
    window that parallax is even over; points count by the detail that is there to tell.

    Parameters
    ----------
    off : array (rows, cols)
        Detail of one plane less that of the other, at points of a grid.
    slopes : two arrays (rows, cols)
        Of the other's detail, per px down and across.
    mask : array (rows, cols) of bool
        Where both are known.
    spacing_px : float
        Distance of the points.
    but_shift : bool
        Whether a shift that all points share is left out.
    """
    down, right = slopes
    off = np.where(mask, off, np.float32(0))
    planes = (down * down, down * right, right * right, down * off, right * off)
    window = _PARALLAX_PX / spacing_px
    dd, dr, rr, do, ro = (gaussian_filter(np.where(mask, one, 0), window) for one in planes)
    determinant = dd * rr - dr * dr
    say = np.where(mask, determinant / np.maximum(dd + rr, 1e-12), 0)
    safe = np.maximum(determinant, 1e-12 * float(determinant.max()) + 1e-30)
    moved = np.stack([rr * do - dr * ro, dd * ro - dr * do]) / safe
    total = float(say.sum())
    if not total > 0:
        return math.inf
    if but_shift:
        moved -= (say * moved).sum(axis=(1, 2), keepdims=True) / total
    return math.sqrt(float((say * np.square(moved).sum(axis=0)).sum()) / total)


def misplaced(picture: Floats, target: Floats, mask: Bools) -> str:
    """Say why a picture cannot be taken to lie on a target; empty where it can.

    A residual fit looks nearby and leaves alone what it does not understand, which reads as
    perfectly aligned. So what it leaves has to agree with the target, and nowhere farther off
    much better.

    Parameters
    ----------
    picture, target : array (rows, cols, 3)
        sRGB-encoded, after the residual fit.
    mask : array (rows, cols) of bool
        Where the picture can be judged.
    """
    own, wanted = (detail(luma(image)) for image in (picture, target))
    here = correlation(own[mask], wanted[mask])
    there, down, right = _elsewhere(own, wanted, mask)
    if there > max(_TIMES * here, here + _MORE, _BELIEVED):
        return (
            f"it fits better {math.hypot(down, right):.0f} px away ({right:+.0f} px across, "
            f"{down:+.0f} px down) than where it is"
        )
    if here < LEAST and _strength(wanted, mask) > _TELLING:
        return f"its detail does not agree with the scene's (correlation {here:.2f})"
    return ""


def _strength(wanted: Floats, mask: Bools) -> float:
    return float(np.sqrt(np.mean(np.square(wanted[mask])))) if mask.any() else 0.0


def _elsewhere(own: Floats, wanted: Floats, mask: Bools) -> tuple[float, float, float]:
    """Return the best correlation of detail beyond the residual fit's reach, and where (px)."""
    planes = [_binned(np.where(mask, plane, 0)) for plane in (own, wanted)]
    shape = tuple(2 * side for side in planes[0].shape)  # room for all shifts
    first, second = (fft.rfft2(plane, shape) for plane in planes)
    power = float(np.linalg.norm(planes[0])) * float(np.linalg.norm(planes[1]))
    if power == 0:
        return 0.0, 0.0, 0.0
    surface = fft.irfft2(first * np.conj(second), shape) / power
    down, right = (fft.fftfreq(side, 1 / side) * _BIN for side in shape)
    near = NEAR_SHARE * min(mask.shape)
    surface[np.hypot(down[:, None], right[None, :]) <= near] = -1
    row, col = np.unravel_index(int(np.argmax(surface)), surface.shape)
    return float(surface[row, col]), float(down[row]), float(right[col])


def _binned(plane: Floats) -> Floats:
    rows, cols = (side // _BIN * _BIN for side in plane.shape)
    blocks = plane[:rows, :cols].reshape(rows // _BIN, _BIN, cols // _BIN, _BIN)
    return np.asarray(blocks.mean(axis=(1, 3)), np.float32)
