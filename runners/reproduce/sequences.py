"""Synthetic focus sequences after the 2013 comparison of 36 operators, and their degradations.

Protocol: Pertuz, Puig and Garcia, Pattern Recognition 46, 1415 (2013), section 3 and table 6. Focal
length 3.3 mm, focus from 50 to 200 mm in 25 frames, a surface from 100 to 150 mm. Every point is
spread by its own Gaussian, cut at 2.5 standard deviations, and the spreads are summed: no
occlusion. The paper does not print its camera constant; here it is set by the widest blur.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from skimage import data

from ...ground.types import Doubles, Floats

FOCAL_LENGTH_MM = 3.3
NEAR_MM, FAR_MM = 50.0, 200.0
SURFACE_MM = (100.0, 150.0)
FRAMES = 25
_CUT = 2.5  # standard deviations of a point's spread that are kept
_LEVELS_PER_PX = 4  # spreads worked out per pixel of width; a point between two is shared

#: Photographs that ship with scikit-image: grains, stems, bricks with smooth faces, a man under an
#: open sky. The last two have flat parts, without which the published order does not appear.
TEXTURES: dict[str, Callable[[], npt.NDArray[np.uint8]]] = {
    "gravel": data.gravel,
    "grass": data.grass,
    "brick": data.brick,
    "camera": data.camera,
}


def _cone(x: Floats, y: Floats) -> Floats:
    return np.hypot(x, y)


def _ramp(x: Floats, y: Floats) -> Floats:
    return x + 0.5 * y


def _waves(x: Floats, y: Floats) -> Floats:
    return np.sin(3.0 * x) * np.cos(2.0 * y)


def _dome(x: Floats, y: Floats) -> Floats:
    return -np.sqrt(np.maximum(2.5 - x * x - y * y, 0.0))


#: Heights of the surfaces over -1..1 in x and y, before they are stretched over the depth range.
SURFACES: dict[str, Callable[[Floats, Floats], Floats]] = {
    "cone": _cone,
    "ramp": _ramp,
    "waves": _waves,
    "dome": _dome,
}


@dataclass(frozen=True, slots=True, eq=False)
class Sequence25:
    """A focus sequence with its truth.

    Parameters
    ----------
    name : str
    frames : array (n, rows, cols) of float32
        Grey, 0..1.
    focus_mm : array (n,)
        Focused distance of each frame.
    depth_mm : array (rows, cols)
    """

    name: str
    frames: Floats
    focus_mm: Doubles
    depth_mm: Doubles


def surface_mm(name: str, size: int) -> Doubles:
    """Depth of a surface, stretched over 100..150 mm.

    Raises
    ------
    ValueError
        No surface has this name.
    """
    if name not in SURFACES:
        raise ValueError(f"surface must be one of {', '.join(SURFACES)}, got {name!r}")
    y, x = np.meshgrid(*[np.linspace(-1.0, 1.0, size, dtype=np.float32)] * 2, indexing="ij")
    height = SURFACES[name](x, y).astype(np.float64)
    near, far = SURFACE_MM
    return near + (far - near) * (height - height.min()) / np.ptp(height)


def texture(name: str, size: int) -> Floats:
    """Middle of a photograph as grey 0..1.

    Raises
    ------
    ValueError
        No texture has this name, or it is smaller than `size`.
    """
    if name not in TEXTURES:
        raise ValueError(f"texture must be one of {', '.join(TEXTURES)}, got {name!r}")
    photograph = TEXTURES[name]().astype(np.float32) / 255.0
    rows, columns = photograph.shape
    if size > min(rows, columns):
        raise ValueError(f"size must be at most {min(rows, columns)} for {name}, got {size}")
    top, left = (rows - size) // 2, (columns - size) // 2
    return photograph[top : top + size, left : left + size]


def blur_px(depth_mm: Doubles, focus_mm: float, *, widest_px: float) -> Doubles:
    """Return the standard deviation of each point's Gaussian.

    Parameters
    ----------
    depth_mm : array
    focus_mm : float
        Focused distance.
    widest_px : float
        Standard deviation at the corner of the sweep where it is largest: the nearest focus on the
        farthest point of the surface. It stands for the constant that the paper leaves open.
    """
    widest = _thin_lens(np.array(SURFACE_MM[1]), NEAR_MM)
    return _thin_lens(depth_mm, focus_mm) * (widest_px / widest)


def _thin_lens(depth_mm: Doubles, focus_mm: float) -> Doubles:
    return np.abs(depth_mm - focus_mm) / (depth_mm * (focus_mm - FOCAL_LENGTH_MM))


def spread(image: Floats, sigma_px: Doubles) -> Floats:
    """Scatter each point of an image by its own Gaussian.

    The Gaussian is sampled at pixel centres, as printed. Points between two of the worked-out
    widths are shared between them so that the variance of their spread is right. The image is
    mirrored at its border.
    """
    reach = int(np.ceil(_CUT * sigma_px.max())) + 1
    image = np.pad(image, reach, mode="symmetric")
    sigma = np.pad(sigma_px, reach, mode="symmetric")
    level = sigma * _LEVELS_PER_PX
    lower = np.floor(level)
    low, high = lower / _LEVELS_PER_PX, (lower + 1.0) / _LEVELS_PER_PX
    share = ((sigma**2 - low**2) / (high**2 - low**2)).astype(np.float32)
    total = np.zeros_like(image)
    for number in range(int(lower.min()), int(lower.max()) + 2):
        weight = np.where(lower == number, 1.0 - share, 0.0)
        weight += np.where(lower == number - 1, share, 0.0)
        width = number / _LEVELS_PER_PX
        total += _gaussian(image * weight.astype(np.float32), width)
    return total[reach:-reach, reach:-reach]


def _gaussian(plane: Floats, width: float) -> Floats:
    if width == 0.0:
        return plane
    radius = max(1, int(np.ceil(_CUT * width)))
    return ndimage.gaussian_filter(plane, width, mode="constant", radius=radius)


def make_sequence(
    surface: str, material: str, *, size: int = 256, widest_px: float = 8.0
) -> Sequence25:
    """Render a focus sequence of a textured surface, without noise and without rounding.

    Parameters
    ----------
    surface : {"cone", "ramp", "waves", "dome"}
    material : {"gravel", "grass", "brick", "camera"}
    size : int
        Rows and columns.
    widest_px : float
        Largest standard deviation of the blur anywhere in the sweep.
    """
    depth, image = surface_mm(surface, size), texture(material, size)
    focus = np.linspace(NEAR_MM, FAR_MM, FRAMES)
    frames = [spread(image, blur_px(depth, f, widest_px=widest_px)) for f in focus]
    return Sequence25(f"{surface}-{material}", np.stack(frames), focus, depth)


def add_noise(frames: Floats, *, grey_levels: float, rng: int | np.random.Generator) -> Floats:
    """Add noise that grows with the light and noise that does not, as in table 6.

    Parameters
    ----------
    frames : array
        Grey 0..1.
    grey_levels : float
        Standard deviation of either part for a white pixel, in 255ths. The published numbers only
        make sense as variances on 0..1, so that 0.0005 is 5.7 grey levels.
    rng : int or Generator
    """
    generator = np.random.default_rng(rng)
    deviation = grey_levels / 255.0 * np.sqrt(1.0 + np.clip(frames, 0.0, 1.0))
    noise = generator.standard_normal(frames.shape, dtype=np.float32)
    return (frames + deviation * noise).astype(np.float32)


def to_8_bits(frames: Floats) -> Floats:
    """Round to 8 bits and clip."""
    return (np.rint(np.clip(frames, 0.0, 1.0) * 255.0) / 255.0).astype(np.float32)


def lower_contrast(frames: Floats, share: float) -> Floats:
    """Draw greys towards the middle, not rounded: share 0.1 leaves a tenth of the contrast."""
    middle = np.float32(128.0 / 255.0)
    return np.float32(share) * (frames - middle) + middle


def saturate(frames: Floats, share: float) -> Floats:
    """Lift greys by a share of white and cut them there."""
    return np.minimum(frames + np.float32(share), np.float32(1.0))


def latin_pairs(count: int) -> Sequence[tuple[str, str]]:
    """Pair surfaces with textures so that the first four have each of them once."""
    surfaces, materials = list(SURFACES), list(TEXTURES)
    return [(surfaces[k % 4], materials[(k + k // 4) % 4]) for k in range(min(count, 16))]
