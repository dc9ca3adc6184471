"""Merges for metrics to rank: a pool of good ones, floors, and good ones made worse.

The pool holds the literature's rules with other windows, filters and levels, and choices of a frame
by other focus measures: as in a published pool they lie near to each other.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
from scipy import ndimage

from ...ground.srgb import LUMA
from ...ground.types import Floats
from ...metrics.focus import MEASURES
from ..methods.align.align import Alignment, chained
from ..methods.align.aligned import AlignedFrames
from ..methods.align.equalise import no_gain
from ..methods.align.register import RegistrationError
from ..methods.fuse.blocks import dct_variance, majority_label
from ..methods.fuse.complex import complex_wavelet_maximum
from ..methods.fuse.focus_map import focus_map, guided_focus_map
from ..methods.fuse.fused import Fused, FuseStage
from ..methods.fuse.guided import guided_weights
from ..methods.fuse.labels import seam_labels
from ..methods.fuse.laplacian import contrast_weighted, laplacian_maximum
from ..methods.fuse.match import match_and_salience
from ..methods.fuse.simple import mean, one_frame, random_blocks
from ..methods.fuse.wavelet import wavelet_maximum
from ..methods.picture.stack import InputStack
from .pairs import Taken


def chosen_by(aligned: AlignedFrames, *, code: str, window: int, vote: int) -> Fused:
    """Take each pixel from the frame whose focus measure is largest, after a majority vote."""
    maps = [np.asarray(MEASURES[code](frame.image, window)) for frame in aligned.greys()]
    labels = majority_label(np.argmax(maps, axis=0), len(maps), vote)
    return Fused(aligned.taken(labels))


def _choices() -> dict[str, FuseStage]:
    """Return choices of a frame by focus measures of all families, in two windows."""
    codes = ("lap2", "lap4", "gra6", "gra7", "sta3", "wav1", "wav2", "mis2")
    wide = {f"by {code}": partial(chosen_by, code=code, window=9, vote=9) for code in codes}
    narrow = {
        f"by {code}, window 21": partial(chosen_by, code=code, window=21, vote=21)
        for code in ("lap2", "gra6", "sta3")
    }
    return {**wide, **narrow}


#: Good merges: what is ranked in the like-for-like case.
POOL: dict[str, FuseStage] = {
    "Laplacian pyramid": laplacian_maximum,
    "Laplacian pyramid, a = 0.6": partial(laplacian_maximum, a=0.6),
    "match and salience": match_and_salience,
    "match and salience, window 3": partial(match_and_salience, window=3, threshold=0.75),
    "wavelet": wavelet_maximum,
    "wavelet, window 7": partial(wavelet_maximum, window=7),
    "wavelet, Haar": partial(wavelet_maximum, wavelet="haar"),
    "wavelet, 3 levels": partial(wavelet_maximum, levels=3),
    "complex wavelet": complex_wavelet_maximum,
    "complex wavelet, 3 levels": partial(complex_wavelet_maximum, levels=3),
    "DCT variance": dct_variance,
    "DCT variance, vote 7": partial(dct_variance, majority=7),
    "guided filter": guided_weights,
    "contrast-weighted": contrast_weighted,
    "focus map": focus_map,
    "focus map, window 5": partial(focus_map, window=5),
    "focus map, window 21": partial(focus_map, window=21),
    "guided focus map": guided_focus_map,
    "guided focus map, window 5": partial(guided_focus_map, window=5),
    "seam labels": seam_labels,
    **_choices(),
}
FLOORS: dict[str, FuseStage] = {
    "first frame": one_frame,
    "mean": mean,
    "random blocks": random_blocks,
}
#: Those of `fusion-metrics` that are good merges, for its own pool.
OURS = (
    "Laplacian pyramid", "match and salience", "wavelet", "complex wavelet", "DCT variance",
    "guided filter", "contrast-weighted", "focus map", "guided focus map",
)  # fmt: skip
#: What is made worse, and how.
_WORSENED = "Laplacian pyramid"


def _blurred(picture: Floats, _: Floats, *, sigma: float) -> Floats:
    return ndimage.gaussian_filter(picture, sigma, mode="nearest")


def _noisy(picture: Floats, _: Floats, *, grey_levels: float) -> Floats:
    noise = np.random.default_rng(0).standard_normal(picture.shape, dtype=np.float32)
    return np.clip(picture + np.float32(grey_levels / 255.0) * noise, 0.0, 1.0)


def _sharpened(picture: Floats, _: Floats, *, amount: float) -> Floats:
    soft = ndimage.gaussian_filter(picture, 2.0, mode="nearest")
    return np.clip(picture + np.float32(amount) * (picture - soft), 0.0, 1.0)


def _diluted(picture: Floats, average: Floats, *, share: float) -> Floats:
    return picture + np.float32(share) * (average - picture)


#: One good merge blurred, made noisy, sharpened, and mixed with the mean of the frames.
WORSE: dict[str, Callable[[Floats, Floats], Floats]] = {
    **{f"blurred by {s:g} px": partial(_blurred, sigma=s) for s in (0.7, 1.5, 3.0)},
    **{f"noise of {n:g}": partial(_noisy, grey_levels=n) for n in (2.0, 5.0, 10.0)},
    **{f"sharpened by {a:g}": partial(_sharpened, amount=a) for a in (0.5, 1.0, 2.0)},
    **{f"mixed with the mean, {s:g}": partial(_diluted, share=s) for s in (0.25, 0.5, 0.75)},
}


def merged(taken: Taken, *, few: bool = False) -> tuple[str, dict[str, Floats]]:
    """Return who laid the frames together, and every merge by name in luma 0..1.

    Parameters
    ----------
    taken : Taken
    few : bool
        Only the first six of the pool, and the rest.
    """
    laid_by, aligned = laid_together(taken)
    pool = dict(list(POOL.items())[:6]) if few else POOL
    found = {name: _grey(fuse(aligned).image) for name, fuse in {**pool, **FLOORS}.items()}
    worse = {name: worsen(found[_WORSENED], found["mean"]) for name, worsen in WORSE.items()}
    return laid_by, found | worse


def laid_together(taken: Taken) -> tuple[str, AlignedFrames]:
    """Lay the frames on the first: by their true motion where methods cannot, or need not."""
    stack = InputStack(taken.pictures, {})
    numbers = tuple(range(len(taken.pictures)))
    laid_by = "truth"
    alignment = Alignment(reference=0, used=numbers, matrices=dict(enumerate(taken.motions)))
    if taken.held:
        try:
            found = chained(stack, numbers, reference=0)
        except RegistrationError:
            found = alignment
        if set(found.used) == set(numbers) and found is not alignment:
            # In the order they were taken, which is that of depth.
            laid_by, alignment = "method", replace(found, used=numbers)
    return laid_by, AlignedFrames(stack, alignment, no_gain(stack, alignment))


def _grey(image: Floats) -> Floats:
    """Return a merge in luma, rounded to 8 bits as it would be written."""
    codes = np.rint(np.clip(image, 0.0, 1.0) * np.float32(255.0)) / np.float32(255.0)
    grey: Floats = codes.astype(np.float32) @ LUMA
    return grey
