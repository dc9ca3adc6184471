"""What the frames of a stack allow: two limits that a result is held against.

Selection limit
    The best that choosing among the truly aligned frames can give: each pixel from the frame, or
    from the mix of two neighbours in depth, whose error about it is least, in a Gaussian window of
    sigma 1 px over all channels: over some dozen pixels, so that a value which is right by accident
    gains little. A frame is moved in two ways: by the depth of what each pixel shows, and as the
    plane moves that it is focused on, its edge continued; where a pixel mixes depths the one is
    wrong for what is sharp, and the other where all is out of focus. It may be passed by what does
    more than choose: averaging the noise of more frames, sharpening.
Capture limit
    The view with, at each point, the least defocus of any usable frame, rendered without noise, or
    what the selection limit shows where that errs less: what hands, step and light left. No frame
    shows what is behind a defocused edge: all have the near part's veil, and no choice takes it
    off; there the selection limit lies far below. Sharpening by the true blur may pass it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from ...ground.srgb import clipped_srgb
from ...ground.types import Bools, Floats, Labels
from ...simulator.shooting.any_shoot import AnyShoot
from .choice import Candidate, Version, best_choice
from .frame_noise import noise_variance
from .true_stages import StackTruth

#: By how much a result may rightly pass the capture limit, dB: sharpening by the true blur passes
#: it by up to 0.6 on the shipped scenes.
CAPTURE_MARGIN_DB = 1.0
#: By how much sharpening may rightly pass the selection limit, dB; averaging noise comes on top, as
#: much as the stack's own noise allows.
SELECTION_MARGIN_DB = 1.0
#: Slope of the sRGB curve near black and its step there (IEC 61966-2-1).
_SRGB_STEP = 1e-3


@dataclass(frozen=True, kw_only=True, eq=False)
class ViewLimits:
    """The limits in the view of one frame.

    Parameters
    ----------
    capture, selection : array (rows, cols, 3)
        sRGB-encoded 0..1.
    chosen : array (rows, cols) of int
        The frame that the selection limit takes, or the one that counts more in a mix.
    noise : float
        Mean square of the noise that the selection limit has, in encoded values, share of white
        squared.
    averaged : float
        How many times less noise a mean of all usable frames has, >= 1.
    """

    capture: Floats
    selection: Floats
    chosen: Labels
    noise: float
    averaged: float

    def margins_db(self, selection_db: float) -> Mapping[str, float]:
        """Return by how much each limit may rightly be passed, given the selection limit in dB."""
        return {
            "capture": CAPTURE_MARGIN_DB,
            "selection": SELECTION_MARGIN_DB
            + averaging_gain_db(selection_db, noise=self.noise, frames=self.averaged),
        }


def view_limits(given: StackTruth) -> ViewLimits:
    """Work out the limits of a stack in the view of its truth."""
    truth, shoot = given.truth, given.shoot
    ideal, valid = clipped_srgb(truth.ideal), truth.mask("valid")
    selection = best_choice(ideal, aligned_frames(given))
    one = noise_square(shoot, truth.ideal)
    usable = max(1, sum(record.usable for record in shoot.records))
    alone, left = (mean_within(power, valid) for power in (one, one * selection.kept))
    return ViewLimits(
        capture=nearest_to_ideal(ideal, clipped_srgb(truth.achievable), selection.picture),
        selection=selection.picture,
        chosen=selection.frame,
        noise=left,
        averaged=max(1.0, usable * left / alone) if alone > 0 else 1.0,
    )


def aligned_frames(given: StackTruth) -> Iterator[tuple[int, tuple[Version, ...]]]:
    """Yield each frame that has light, in order of depth, truly exposed and aligned in each way.

    Frames that are smeared count too, for a method may use what is good in them.
    """
    lit = [record for record in given.shoot.records if max(record.gains) > 0]
    for record in sorted(lit, key=lambda record: (record.focus_z_mm, record.frame)):
        yield record.frame, given.versions(record.frame)


def nearest_to_ideal(ideal: Floats, first: Floats, second: Floats) -> Floats:
    """Take a pixel from the second picture where it errs less there, and in the window about it.

    So the error is nowhere larger than that of the first, and a value of the second that is right
    by accident gains nothing.

    Parameters
    ----------
    ideal, first, second : array (rows, cols, 3)
        sRGB-encoded 0..1.
    """
    everywhere = np.ones(ideal.shape[:2], bool)
    one, other = (Candidate(picture, ideal, everywhere) for picture in (first, second))
    nearer = (other.error < one.error) & (other.square < one.square)
    return np.where(nearer[..., None], second, first)


def mean_within(values: Floats, mask: Bools) -> float:
    """Return the mean of a map over a mask; 0 over nothing."""
    return float(values[mask].mean()) if mask.any() else 0.0


def noise_square(shoot: AnyShoot, light: Floats) -> Floats:
    """Return the mean square of one frame's noise in encoded values at a light.

    The sensor's noise, through the slope of the sRGB curve.

    Parameters
    ----------
    shoot : AnyShoot
    light : array (rows, cols, 3)
        Linear, 1 = saturation.

    Returns
    -------
    array (rows, cols)
        Mean over the channels, share of white squared.
    """
    level = np.clip(light, 0, 1)
    slope = (clipped_srgb(level + _SRGB_STEP) - clipped_srgb(level - _SRGB_STEP)) / (2 * _SRGB_STEP)
    return np.asarray((noise_variance(shoot, light) * slope**2).mean(axis=2), np.float32)


def averaging_gain_db(psnr_db: float, *, noise: float, frames: float) -> float:
    """Return by how much averaging the noise of frames may raise a PSNR, dB.

    Of the mean square error the share that is noise falls to an n-th; the rest stays. At most
    10 log10(n), where all of the error is noise.

    Parameters
    ----------
    psnr_db : float
    noise : float
        Mean square of the noise that the picture has.
    frames : float
        How many times less noise the average has.
    """
    error = 10 ** (-psnr_db / 10)
    if not error > 0:
        return 0.0
    gone = min(noise, error) * (1 - 1 / frames)
    return -10 * math.log10(1 - gone / error)


def above_limits(
    result_db: float, limits_db: Mapping[str, float], margins_db: Mapping[str, float]
) -> str:
    """Say which limits a result passes by more than their margin; empty where none.

    Parameters
    ----------
    result_db : float
    limits_db, margins_db : mapping of str to float
        By the limit's name.
    """
    return ", ".join(
        f"{name} limit by {result_db - limit:.1f} dB (margin {margins_db[name]:.1f})"
        for name, limit in limits_db.items()
        if result_db > limit + margins_db[name]
    )


def loss_db(limit_db: float, result_db: float) -> float:
    """Return how far a result stays below a limit, dB; 0 where both are perfect."""
    return 0.0 if limit_db == result_db else limit_db - result_db
