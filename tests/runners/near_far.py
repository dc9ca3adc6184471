"""Frames as a fuse stage gets them, and the pair that papers of two-frame fusion try them on."""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy import ndimage

from stacktruth.runners.methods.align.align import no_alignment
from stacktruth.runners.methods.align.aligned import AlignedFrames
from stacktruth.runners.methods.align.equalise import no_gain
from stacktruth.runners.methods.picture.stack import InputStack
from tests.runners.stacks import make_stack


def aligned(frames: list, encoding: str = "srgb") -> AlignedFrames:
    """Return frames as they are, without alignment or gain."""
    height, width = frames[0].shape[:2]
    info = {"frames": [{}] * len(frames), "width_px": width, "height_px": height, "bits": 16}
    stack = InputStack(frames, info | {"encoding": encoding})
    alignment = no_alignment(stack, range(len(frames)))
    return AlignedFrames(stack, alignment, no_gain(stack, alignment))


@cache
def near_and_far(encoding: str = "srgb") -> tuple[np.ndarray, list]:
    """Return a picture, and it with its right and with its left half out of focus."""
    ideal = make_stack(count=2, blur_px_per_frame=0.0, photo="grass").frames[0]
    if encoding == "linear":
        ideal = ((ideal / 65535) ** 2.2).astype(np.float32)
    soft = ndimage.gaussian_filter(ideal.astype(float), (2.5, 2.5, 0)).astype(ideal.dtype)
    near, far = ideal.copy(), ideal.copy()
    near[:, 128:], far[:, :128] = soft[:, 128:], soft[:, :128]
    return ideal, [near, far]


def rms(image: np.ndarray, ideal: np.ndarray) -> float:
    """Return the root mean square difference, on the scale 0..1."""
    scale = 65535 if ideal.dtype == np.uint16 else 1
    return float(np.sqrt(np.mean((image - ideal / scale) ** 2)))
