"""What the frames of a stack allow: two limits that a result is held against.

Capture limit
    The view with, at each point, the least defocus of any usable frame, rendered without noise:
    what hands, step and light left. It limits the sharpness that the frames hold, and is no bound
    on methods: where two frames are alike out of focus, taking the one that happens to lie nearer
    to the ideal passes it, and so does sharpening by the true blur.
Selection limit
    The best that choosing among the truly aligned frames can give. Each pixel is taken from the
    frame whose error about it is least, in a Gaussian window of sigma 1 px over all channels: over
    some dozen pixels, so that a value which is right by accident gains nothing. It lies below the
    capture limit where no frame shows what is behind a defocused edge: there all frames have the
    near part's veil, and no choice takes it off. It may be passed by what does more than choose:
    averaging noise, sharpening.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from ...ground.srgb import clipped_srgb
from ...ground.types import Bools, Floats, Labels
from ...simulator.shooting.any_shoot import AnyShoot
from ...simulator.shooting.truth import Truth
from .frame_noise import noise_variance
from .true_stages import StackTruth

#: Window in which a frame is chosen, px.
WINDOW_PX = 1.0
#: By how much a result may rightly pass the capture limit, dB. Choosing by the truth passes it by
#: up to 2.6 dB on the shipped scenes (a steep cone, stepped), sharpening by the true blur by 0.6.
CAPTURE_MARGIN_DB = 3.0
#: By how much sharpening and blending may rightly pass the selection limit, dB; averaging noise
#: comes on top, as much as the stack's own noise allows.
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
        The frame that the selection limit takes.
    noise : float
        Mean square of one frame's noise in encoded values, share of white squared.
    frames : int
        Usable frames, whose noise can be averaged.
    """

    capture: Floats
    selection: Floats
    chosen: Labels
    noise: float
    frames: int

    def margins_db(self, selection_db: float) -> Mapping[str, float]:
        """Return by how much each limit may rightly be passed, given the selection limit in dB."""
        return {
            "capture": CAPTURE_MARGIN_DB,
            "selection": SELECTION_MARGIN_DB
            + averaging_gain_db(selection_db, noise=self.noise, frames=self.frames),
        }


def view_limits(given: StackTruth) -> ViewLimits:
    """Work out the limits of a stack in the view of its truth."""
    truth, shoot = given.truth, given.shoot
    selection, chosen = selected(truth, aligned_frames(given))
    valid = truth.mask("valid")
    return ViewLimits(
        capture=clipped_srgb(truth.achievable),
        selection=selection,
        chosen=chosen,
        noise=float(noise_square(shoot, truth.ideal)[valid].mean()) if valid.any() else 0.0,
        frames=max(1, sum(record.usable for record in shoot.records)),
    )


def aligned_frames(given: StackTruth) -> Iterator[tuple[int, Floats, Bools]]:
    """Yield each frame that has light, truly aligned and exposed, and where it shows the view.

    The reference comes first: of equals it is chosen. Frames that are smeared count too, for a
    method may use what is good in them.
    """
    lit = [record.frame for record in given.shoot.records if max(record.gains) > 0]
    for frame in sorted(lit, key=lambda frame: frame != given.reference):
        yield frame, *given.aligned(frame)


def selected(
    truth: Truth, frames: Iterator[tuple[int, Floats, Bools]] | Sequence[tuple[int, Floats, Bools]]
) -> tuple[Floats, Labels]:
    """Choose each pixel from the frame whose error about it is least.

    Parameters
    ----------
    truth : Truth
    frames : iterable of (int, array (rows, cols, 3), array (rows, cols) of bool)
        Number, picture in the truth's view (sRGB-encoded), and where it shows the view.

    Returns
    -------
    array (rows, cols, 3), array (rows, cols) of int
        The picture, and the frame of each pixel; the ideal and -1 where no frame shows anything.
    """
    ideal = clipped_srgb(truth.ideal)
    picture = ideal.copy()
    chosen = np.full(ideal.shape[:2], -1, np.int16)
    least = np.full(ideal.shape[:2], np.inf, np.float32)
    for number, image, shown in frames:
        error = windowed_error(image, ideal, shown)
        nearer = error < least
        picture[nearer] = image[nearer]
        chosen[nearer] = number
        least[nearer] = error[nearer]
    return picture, chosen


def windowed_error(image: Floats, ideal: Floats, shown: Bools) -> Floats:
    """Return the mean square error about each pixel over what is shown; infinite elsewhere."""
    square = np.where(shown, np.square(image - ideal).mean(axis=2), np.float32(0))
    weight = ndimage.gaussian_filter(shown.astype(np.float32), WINDOW_PX)
    mean = ndimage.gaussian_filter(square, WINDOW_PX) / np.maximum(weight, 1e-6)
    return np.where(shown, mean, np.float32(np.inf))


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


def averaging_gain_db(psnr_db: float, *, noise: float, frames: int) -> float:
    """Return by how much averaging the noise of frames may raise a PSNR, dB.

    Of the mean square error the share that is one frame's noise falls to an n-th with n frames;
    the rest stays. At most 10 log10(n), where all of the error is noise.

    Parameters
    ----------
    psnr_db : float
        Of a picture that has one frame's noise.
    noise : float
        Mean square of that noise.
    frames : int
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
