"""Align and merge against OpenCV's primitives: ``python tests/speed/against_opencv.py``.

Twelve frames of 6 megapixels go through `laplacian-pyramid` (order of depth, chained registration
on small copies, gains, cubic resampling, largest coefficient), and through the same built of
OpenCV's calls: area-averaged small copies, phase correlation and ECC from neighbour to neighbour,
cubic warp, pyrDown and pyrUp, largest coefficient. OpenCV is told the order of depth and nothing of
gains. Both on one thread and by CPU time, in turn, in one process.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt
from timing import cpu_s

from stacktruth.ground.srgb import LUMA
from stacktruth.runners.methods import built_in
from stacktruth.runners.methods.picture.pyramid import level_count
from stacktruth.runners.methods.picture.stack import PROXY_PIXELS
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.shooting.shoot import shoot

Floats = npt.NDArray[np.float32]
Frames = Sequence[npt.NDArray[np.uint16]]

_STEPS, _DONE = 50, 1e-5
_CRITERIA = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, _STEPS, _DONE)


def merged_by_opencv(frames: Frames) -> Floats:
    """Align frames that are in order of depth and merge them, with OpenCV's calls alone."""
    height, width = frames[0].shape[:2]
    times = int(np.ceil(np.sqrt(height * width / PROXY_PIXELS)))
    small = [_small_copy(frame, times) for frame in frames]
    middle = len(frames) // 2
    warps = {middle: np.eye(3, dtype=np.float32)}
    for here, there in [(i, i + 1) for i in range(middle, len(frames) - 1)] + [
        (i, i - 1) for i in range(middle, 0, -1)
    ]:
        warps[there] = _step(small[here], small[there]) @ warps[here]
    levels = level_count((height, width))
    kept: list[Floats] = []
    best: list[Floats] = []
    total = np.zeros(1, np.float32)
    for number, frame in enumerate(frames):
        matrix = warps[number].copy()
        matrix[:2, 2] *= times
        image = cv2.warpAffine(
            frame.astype(np.float32) * np.float32(1 / 65535),
            matrix[:2],
            (width, height),
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        bands = []
        for _ in range(levels):
            less = cv2.pyrDown(image)
            size = (image.shape[1], image.shape[0])
            bands.append(image - cv2.pyrUp(less, dstsize=size))
            image = less
        activity = [np.abs(cv2.transform(band, LUMA[None])) for band in bands]
        if not kept:
            kept, best, total = bands, activity, image
            continue
        total = total + image
        for level in range(levels):
            better = activity[level] > best[level]
            cv2.copyTo(bands[level], better.astype(np.uint8), kept[level])
            cv2.copyTo(activity[level], better.astype(np.uint8), best[level])
    result = total / len(frames)
    for band in reversed(kept):
        result = cv2.pyrUp(result, dstsize=(band.shape[1], band.shape[0])) + band
    return result


def _small_copy(frame: npt.NDArray[np.uint16], times: int) -> Floats:
    grey = cv2.transform(frame.astype(np.float32) * np.float32(1 / 65535), LUMA[None])
    size = (frame.shape[1] // times, frame.shape[0] // times)
    return cv2.resize(grey, size, interpolation=cv2.INTER_AREA)


def _step(first: Floats, second: Floats) -> Floats:
    """Return the affine transform from one small copy to another, 3 x 3."""
    window = cv2.createHanningWindow(first.shape[::-1], cv2.CV_32F)
    (x, y), _ = cv2.phaseCorrelate(first, second, window)
    start = np.array([[1, 0, x], [0, 1, y]], np.float32)
    try:
        _, found = cv2.findTransformECC(first, second, start, cv2.MOTION_AFFINE, _CRITERIA, None, 5)
    except cv2.error:  # too blurred for it: the shift must do
        found = start
    return np.vstack([found, [0, 0, 1]]).astype(np.float32)


def both_s(
    scene_name: str, *, frames: int, crop: tuple[int, int], rounds: int
) -> tuple[float, float]:
    """Return the least CPU time of our merge of a stack and of OpenCV's, s."""
    cv2.setNumThreads(1)
    scene = load_scene(scene_name)
    plan = shoot(scene, load_rig(scene.rig), stance="braced", frames=frames, crop=crop)
    pictures = [plan.frame(index).image for index in range(frames)]
    info = {"encoding": "srgb", "frames": [{} for _ in pictures]}
    method = built_in("laplacian-pyramid")
    in_order = [pictures[index] for index in method(pictures, info).used]
    ours, theirs = np.array(
        [
            (cpu_s(lambda: method(pictures, info)), cpu_s(lambda: merged_by_opencv(in_order)))
            for _ in range(rounds)
        ]
    ).min(axis=0)
    return float(ours), float(theirs)


def main() -> None:
    """Print both times and their ratio."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--frames", type=int, default=12)
    parser.add_argument("--crop", type=int, nargs=2, default=(3072, 2048), metavar=("W", "H"))
    parser.add_argument("--scene", default="ramp")
    parser.add_argument("--rounds", type=int, default=2)
    asked = parser.parse_args()
    crop = tuple(asked.crop)
    ours, theirs = both_s(asked.scene, frames=asked.frames, crop=crop, rounds=asked.rounds)
    size = asked.crop[0] * asked.crop[1] / 1e6
    print(
        f"{asked.frames} frames of {size:.1f} MP: ours {ours:.1f} s CPU, "
        f"OpenCV {theirs:.1f} s CPU, ratio {ours / theirs:.2f}"
    )


if __name__ == "__main__":
    main()
