"""How near a drawn scene is to a photograph, by numbers that natural pictures are known for."""

from __future__ import annotations

from dataclasses import dataclass
from time import process_time

import numpy as np
import numpy.typing as npt
import pywt
from scipy import fft
from scipy.ndimage import uniform_filter

from ...ground.srgb import clipped_srgb, luma
from ...ground.types import Floats
from ...simulator.compositing.render import render, view_depth
from ...simulator.loading.meter import brightest
from ...simulator.loading.scenes import load_scene
from ...simulator.optics import depth_of_field_mm
from ...simulator.rig import Rig, load_rig
from ...simulator.scene.scene import Scene
from ...simulator.shooting.shoot import BLUR_CRITERION_UM
from ...simulator.view.camera import Camera
from .close_up import busiest_window

#: Depths of field between neighbouring pixels that make an edge of occlusion.
_EDGE = 1.0
#: A pixel without detail: its neighbourhood deviates by less than this, levels of 255.
_FLAT_LEVELS, _FLAT_PX = 1.0, 7
#: Pixels of the least picture by which two draws are held apart.
_THUMB = (16, 24)


@dataclass(frozen=True, eq=False)
class Look:
    """A draw as it looks: three pictures and what is measured on them.

    Parameters
    ----------
    name : str
        ``FAMILY:SEED``.
    sharp, frame : array (rows, cols, 3)
        The whole, all in focus, and focused on the nominal plane; sRGB-encoded.
    close : array (rows, cols, 3)
        A window of it at real pixels, all in focus: `close_up.busiest_window`.
    figures : dict of str to float
        By the names of `COLUMNS`.
    """

    name: str
    sharp: Floats
    frame: Floats
    close: Floats
    figures: dict[str, float]


#: What is measured of a draw, with what it says; the first seven on the whole picture.
COLUMNS = {
    "white_percent": "99.9th percentile of the picture in focus, percent of white",
    "depth_range_dof": "1st to 99th percentile of depth within reach, in depths of field",
    "edges_percent": "pixels at an edge of occlusion, percent",
    "flat_percent": "pixels without detail round them, percent",
    "slope": "log-log slope of the power spectrum of the picture in focus",
    "kurtosis": "of its finest wavelet coefficients",
    "convolutions": "cost of the frame in Fourier convolutions of its size",
    "close_white_percent": "as white_percent, of the window at real pixels",
    "close_flat_percent": "as flat_percent, of that window",
    "close_slope": "as slope, of that window",
    "close_kurtosis": "as kurtosis, of that window",
}


def look_at(name: str, *, width_px: int) -> Look:
    """Render a scene at the fast level, as a whole and closely, and measure it.

    Parameters
    ----------
    name : str
        As `load_scene` takes it.
    width_px : int
        Of the whole picture, at least: as many real pixels are merged as leave that. A thumbnail
        is no picture: its few octaves are coarse ones, and its slope is too shallow.
    """
    scene = load_scene(name)
    rig = load_rig(scene.rig)
    bins = max(1, rig.sensor.width_px // width_px)
    camera = Camera(rig, bin=bins)
    light = render(scene, camera, focus=(), quality="fast")
    begun = process_time()
    frame = render(scene, camera, focus=(camera,), quality="fast")
    spent = process_time() - begun
    depth = view_depth(scene, rig, bin=bins)
    near, far = scene.depth_mm
    window = busiest_window(luma(clipped_srgb(light)), (near <= depth) & (depth <= far), bins=bins)
    closely = render(scene, Camera(rig, crop=window), focus=(), quality="fast")
    figures = {
        **depth_figures(scene, rig, depth=depth),
        **picture_figures(light),
        "convolutions": spent / _convolution_s(light.shape[:2]),
        **{f"close_{key}": value for key, value in picture_figures(closely).items()},
    }
    return Look(
        name=name,
        sharp=clipped_srgb(light),
        frame=clipped_srgb(frame),
        close=clipped_srgb(closely),
        figures={key: figures[key] for key in COLUMNS},
    )


def picture_figures(light: Floats) -> dict[str, float]:
    """Return brightness, flat share, slope and kurtosis of a picture.

    Parameters
    ----------
    light : array (rows, cols, 3)
        Linear, 1 = white.
    """
    grey = luma(clipped_srgb(light))
    return {
        "white_percent": 100 * brightest(light),
        "flat_percent": 100 * flat_share(grey),
        "slope": spectral_slope(luma(np.clip(light, 0, 1))),
        "kurtosis": fine_kurtosis(grey),
    }


def depth_figures(scene: Scene, rig: Rig, *, depth: Floats) -> dict[str, float]:
    """Return the range of depth, in depths of field, and the share of edges of occlusion.

    Parameters
    ----------
    scene : Scene
    rig : Rig
    depth : array (rows, cols)
        Of the nominal view, mm; NaN where nothing is.
    """
    unit = depth_of_field_mm(rig, blur_um=BLUR_CRITERION_UM).total_mm
    near, far = scene.depth_mm
    within = depth[(depth <= far + 0.5 * (far - near)) & np.isfinite(depth)]
    low, high = np.percentile(within, [1, 99]) if within.size else (0.0, 0.0)
    filled = np.where(np.isfinite(depth), depth, 1e3)
    edges = np.zeros(depth.shape, bool)
    for axis in (0, 1):
        jump = np.abs(np.diff(filled, axis=axis)) > _EDGE * unit
        for shift in (0, 1):
            place = [slice(None), slice(None)]
            place[axis] = slice(shift, shift + jump.shape[axis])
            edges[tuple(place)] |= jump
    return {
        "depth_range_dof": float(high - low) / unit,
        "edges_percent": 100 * float(edges.mean()),
    }


def flat_share(grey: Floats) -> float:
    """Return the share of pixels round which nothing is to be seen.

    Parameters
    ----------
    grey : array (rows, cols)
        sRGB-encoded, 0 to 1.
    """
    mean = uniform_filter(grey.astype(np.float64), _FLAT_PX)
    spread = uniform_filter(grey.astype(np.float64) ** 2, _FLAT_PX) - mean**2
    return float(np.mean(spread < (_FLAT_LEVELS / 255) ** 2))


def spectral_slope(grey: Floats) -> float:
    """Return the log-log slope of the radial mean power, every octave of equal weight.

    Natural pictures have about -2 (Field 1987, J. Opt. Soc. Am. A 4, 2379).

    Parameters
    ----------
    grey : array (rows, cols)
        Linear light. Its middle square is taken, from 4 cycles to a quarter of the sampling
        frequency.
    """
    n = min(grey.shape)
    row, col = ((size - n) // 2 for size in grey.shape)
    square = grey[row : row + n, col : col + n]
    window = np.hanning(n)[:, None] * np.hanning(n)[None, :]
    power = np.abs(np.fft.fft2((square - square.mean()) * window)) ** 2
    radius = np.hypot(np.fft.fftfreq(n, 1 / n)[:, None], np.fft.fftfreq(n, 1 / n)[None, :])
    ring = radius.astype(int).ravel()
    held = np.bincount(ring)
    # A ring begins at its number: it stands for the mean radius of what is in it.
    middle = np.bincount(ring, radius.ravel()) / held
    mean = np.bincount(ring, power.ravel()) / held
    chosen = np.arange(4, n // 4)
    weight = 1 / np.sqrt(chosen)
    return float(np.polyfit(np.log(middle[chosen]), np.log(mean[chosen] + 1e-12), 1, w=weight)[0])


def fine_kurtosis(grey: Floats) -> float:
    """Return the kurtosis of the finest Haar coefficients of log light; 3 for a Gaussian.

    Parameters
    ----------
    grey : array (rows, cols)
        sRGB-encoded, 0 to 1; the encoding stands for the logarithm, which has no end at black.
    """
    _, (level, upright, _) = pywt.dwt2(grey.astype(np.float64), "haar")
    values = np.concatenate([level.ravel(), upright.ravel()])
    values -= values.mean()
    return float(np.mean(values**4) / max(np.mean(values**2) ** 2, 1e-30))


def nearest_distances(pictures: list[Floats]) -> npt.NDArray[np.float64]:
    """Return how far each picture is from the one most like it: 1 less their correlation.

    Parameters
    ----------
    pictures : list of array (rows, cols, 3)
        At least two; each is brought to 24 x 16 pixels first.
    """
    thumbs = np.array([_thumb(one) for one in pictures])
    distance = 1 - np.corrcoef(thumbs)
    np.fill_diagonal(distance, np.inf)
    return distance.min(axis=1)


def _thumb(picture: Floats) -> npt.NDArray[np.float64]:
    sizes = zip(picture.shape[:2], _THUMB, strict=True)
    rows, cols = (np.array_split(np.arange(size), n) for size, n in sizes)
    return np.array([picture[np.ix_(r, c)].mean(axis=(0, 1)) for r in rows for c in cols]).ravel()


def _convolution_s(shape: tuple[int, ...]) -> float:
    """Return the processor time of a Fourier convolution of four layers, s."""
    layers = np.random.default_rng(1).random((4, *shape), np.float32)
    kernel = fft.rfft2(layers[0])
    times = []
    for _ in range(5):
        begun = process_time()
        for _ in range(4):
            fft.irfft2(fft.rfft2(layers) * kernel, s=shape)
        times.append((process_time() - begun) / 4)
    return min(times)
