"""Small synthetic stacks for the tests of the methods: true depth, gains and transforms known.

A photograph that scikit-image ships is given a depth map, blurred with depth (Gaussian, sigma
growing with the distance from the plane of focus), moved by a similarity, and exposed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import ndimage
from skimage import data

from stacktruth.ground.srgb import decode_srgb, encode_srgb
from stacktruth.runners.contract import Result
from stacktruth.runners.methods.align.align import Alignment
from stacktruth.runners.methods.picture.geometry import carried, resample, similarity
from stacktruth.simulator.shooting.motion import nearest, places_in
from stacktruth.simulator.shooting.shoot import Shoot

MARGIN = 48


@dataclass
class Made:
    """A synthetic stack and its truth."""

    frames: list
    info: dict
    ideal: np.ndarray
    depth: np.ndarray
    matrices: list
    gains: np.ndarray
    focus: np.ndarray = field(default_factory=lambda: np.zeros(0))


def photograph(name: str = "coffee") -> np.ndarray:
    """Return one of scikit-image's photographs as linear light, float32."""
    image = getattr(data, name)()
    if image.ndim == 2:
        image = np.stack([image] * 3, axis=-1)
    return decode_srgb(image[..., :3] / np.float32(255))


def ramp(shape: tuple[int, int], top: float) -> np.ndarray:
    """Return a depth that rises across the picture with a smooth bump, 0..top, in frames."""
    y, x = np.mgrid[: shape[0], : shape[1]] / np.array(shape)[:, None, None]
    bump = 0.25 * np.exp(-((x - 0.5) ** 2 + (y - 0.5) ** 2) / 0.03)
    return (top * np.clip(0.85 * x + bump, 0, 1)).astype(np.float32)


def blurred(light: np.ndarray, largest: float, step: float = 0.4) -> np.ndarray:
    """Return Gaussian blurs of a picture, sigma 0, step, 2 step ... px up to beyond `largest`."""
    count = int(np.ceil(largest / step)) + 2
    sigmas = [(level * step, level * step, 0) for level in range(count)]
    return np.stack([ndimage.gaussian_filter(light, sigma, mode="nearest") for sigma in sigmas])


def defocused(pile: np.ndarray, blur: np.ndarray, step: float = 0.4) -> np.ndarray:
    """Blur with a Gaussian whose sigma in px varies over the picture, from `blurred` pictures."""
    index = blur / step
    low = np.floor(index).astype(int)
    part = (index - low)[..., None]
    rows, columns = np.indices(blur.shape)
    below, above = pile[low, rows, columns], pile[low + 1, rows, columns]
    return ((1 - part) * below + part * above).astype(np.float32)


def make_stack(
    *,
    shape: tuple[int, int] = (192, 256),
    count: int = 6,
    blur_px_per_frame: float = 1.2,
    shift_px: float = 0.0,
    scale_step: float = 0.0,
    turn_mrad: float = 0.0,
    gain_stops: float = 0.0,
    noise: float = 0.0,
    seed: int = 0,
    order: list[int] | None = None,
    photo: str = "coffee",
) -> Made:
    """Make a stack with frames at 0..count-1 in depth, moved and exposed at random."""
    rng = np.random.default_rng(seed)
    height, width = shape
    light = photograph(photo)[: height + 2 * MARGIN, : width + 2 * MARGIN]
    if light.shape[:2] != (height + 2 * MARGIN, width + 2 * MARGIN):
        raise ValueError(f"{photo} is too small for {shape} and the margin")
    depth = ramp(light.shape[:2], count - 1)
    order = list(range(count)) if order is None else order
    centre = ((width - 1) / 2, (height - 1) / 2)
    place = np.eye(3)
    place[:2, 2] = MARGIN
    pile = blurred(light, blur_px_per_frame * (count - 1))
    frames, matrices, gains = [], [], []
    for focus in order:
        seen = defocused(pile, blur_px_per_frame * np.abs(depth - focus))
        x, y = rng.uniform(-shift_px, shift_px, 2)
        turn = rng.uniform(-turn_mrad, turn_mrad) * 1e-3
        scale = 1 + scale_step * (focus - (count - 1) / 2)
        matrix = similarity(scale=scale, turn=turn, x=x, y=y, centre=centre)
        gain = 2.0 ** rng.uniform(-gain_stops, gain_stops)
        # The frame shows at place p what the reference shows at inv(matrix) p.
        frames.append(
            _expose(seen, place @ np.linalg.inv(matrix), shape, gain=gain, noise=noise, rng=rng)
        )
        matrices.append(matrix)
        gains.append(gain)
    info = {
        "frames": [{"file": f"frames/{i:04d}.tif", "order": i} for i in range(count)],
        "width_px": width,
        "height_px": height,
        "encoding": "srgb",
        "bits": 16,
    }
    inner = (slice(MARGIN, MARGIN + height), slice(MARGIN, MARGIN + width))
    return Made(
        frames=frames,
        info=info,
        ideal=light[inner],
        depth=depth[inner],
        matrices=matrices,
        gains=np.array(gains),
        focus=np.array(order),
    )


def _expose(light, matrix, shape, *, gain, noise, rng):
    rows, columns = np.indices(shape)
    x = matrix[0, 0] * columns + matrix[0, 1] * rows + matrix[0, 2]
    y = matrix[1, 0] * columns + matrix[1, 1] * rows + matrix[1, 2]
    seen = np.stack(
        [ndimage.map_coordinates(light[..., c], [y, x], order=3, mode="mirror") for c in range(3)],
        axis=-1,
    )
    seen = 0.5 * gain * seen + noise * rng.standard_normal(seen.shape)
    return np.rint(65535 * np.clip(encode_srgb(seen), 0, 1)).astype(np.uint16)


def in_view_of(made: Made, reference: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the sharp picture (linear) and the depth as the reference frame shows them."""
    home = np.linalg.inv(made.matrices[reference])
    return resample(made.ideal, home), resample(made.depth, home)


def psnr_db(made: Made, result: Result, border: int = 28) -> float:
    """Compare a result with the sharp picture, in sRGB encoding, after one gain per channel."""
    ideal, _ = in_view_of(made, result.reference or 0)
    inner = (slice(border, -border), slice(border, -border))
    light = decode_srgb(result.image / np.float32(65535))[inner]
    ideal = ideal[inner]
    gain = (ideal * light).sum(axis=(0, 1)) / (light**2).sum(axis=(0, 1))
    error = encode_srgb(light * gain) - encode_srgb(ideal)
    return float(-10 * np.log10(np.mean(error**2)))


@dataclass(frozen=True, eq=False)
class MadeTruth:
    """The truth of a made stack in the form the true stages ask for."""

    made: Made
    reference: int

    def frame_choice(self) -> list[int]:
        """Return all frames in order of depth."""
        return [int(frame) for frame in np.argsort(self.made.focus)]

    def warp(self, frame: int) -> np.ndarray:
        """Return (row, column) in a frame of what each reference pixel shows."""
        shape = self.made.frames[0].shape[:2]
        home = np.linalg.inv(self.made.matrices[self.reference])
        return carried(self.made.matrices[frame] @ home, shape)

    def focus_map(self) -> np.ndarray:
        """Return the frame nearest in depth to each reference pixel."""
        _, depth = in_view_of(self.made, self.reference)
        return np.abs(depth[..., None] - self.made.focus).argmin(axis=2)


def misplaced_px(plan: Shoot, alignment: Alignment, place: Sequence[int]) -> dict[int, float]:
    """Return for every used frame of a rendered shoot the median of its misplacement, px.

    Parameters
    ----------
    plan : Shoot
    alignment : Alignment
    place : sequence of int
        Which frame of the shoot each frame of the stack is.
    """
    shown = nearest(plan.scene, plan.camera(place[alignment.reference]))
    off = {}
    for frame in alignment.used:
        truth = places_in(shown, plan.camera(place[frame]))
        apart = truth - carried(alignment.matrices[frame], truth.shape[:2])
        off[frame] = float(np.nanmedian(np.hypot(*np.moveaxis(apart, -1, 0))))
    return off
