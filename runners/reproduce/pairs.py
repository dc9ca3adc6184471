"""Frames for metrics that need no truth: a near and a far focus, and steps toward a stack by hand.

A window of natural content at real pixels that has two depths is shown in focus all over (the
reference), and in frames focused on the one and on the other. Registered frames share one view:
only the blur differs. Each condition changes one thing of that.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from ...ground.srgb import LUMA, clipped_srgb
from ...ground.types import Bools, Doubles, Floats
from ...simulator.compositing.render import render, view_depth
from ...simulator.handling.hands import load_stance
from ...simulator.loading.scenes import load_scene
from ...simulator.optics import depth_of_field_mm
from ...simulator.pose import NOMINAL, Pose
from ...simulator.rig import Rig, load_rig, stopped_to
from ...simulator.scene.scene import Scene
from ...simulator.shooting.sensor import develop, expose
from ...simulator.shooting.shoot import BLUR_CRITERION_UM
from ...simulator.streams import stream
from ...simulator.view.camera import Camera, Crop

#: Families but flat targets, which are no natural content; most as they were
#: when this was first counted.
FAMILIES = (
    "earlier/arthropod-head", "circuit-board", "earlier/coin", "crystals", "dew",
    "feather-and-down", "earlier/flower", "earlier/fungus-gills", "earlier/leaf",
    "earlier/moss-and-lichen", "earlier/petal-edge", "earlier/shell", "spider-eyes", "earlier/wing",
)  # fmt: skip
SIZE_PX = (384, 288)
#: How far apart the two depths of a window are, in depths of field: as wished, and at least;
#: f-numbers that are set for it.
APART, LEAST_APART = 3.0, 1.5
_F_NUMBERS = (4.0, 22.0)
_LEAST_SHARE = 0.15
_SEEN = 0.98
_MANY = 6
_ISO = 800.0
_HELD = "braced"
#: What framing leaves of a hand's shift, px.
_LEFT_PX = 4
_ACROSS = 12
#: Left out all round: what a shift or the filters of metrics and merges make of the rim.
MARGIN_PX = 16

Picture = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shots:
    """How the frames of a window are taken.

    Parameters
    ----------
    name : str
    many : bool
        Six frames from the near to the far depth in even steps, instead of the two.
    held : bool
        By hand, so that the frames must be laid on the first; otherwise they are registered.
    noise : bool
        With the noise of the sensor at ISO 800.
    """

    name: str
    many: bool = False
    held: bool = False
    noise: bool = False


SHOTS = (
    Shots(name="two registered frames"),
    Shots(name="noise", noise=True),
    Shots(name="more frames", many=True),
    Shots(name="by hand", held=True),
    Shots(name="more frames, by hand, noise", many=True, held=True, noise=True),
)


@dataclass(frozen=True, slots=True)
class TwoDepths:
    """A window of a scene with a near and a far part.

    Parameters
    ----------
    scene : Scene
    rig : Rig
    crop : tuple
    near_mm, far_mm : float
        z of the two depths.
    """

    scene: Scene
    rig: Rig
    crop: Crop
    near_mm: float
    far_mm: float

    @property
    def camera(self) -> Camera:
        """The view of the reference."""
        return Camera(self.rig, NOMINAL, 0.0, self.crop)


@dataclass(frozen=True, slots=True, eq=False)
class Taken:
    """The frames of a window as a method gets them, and lined up for the metrics.

    Parameters
    ----------
    pictures : list of array (rows, cols, 3) of uint8
    greys : list of array (rows, cols)
        Luma, lined up with the first frame by the true motion.
    motions : list of array (3, 3)
        True affine maps of (x, y) in the first frame to (x, y) in each, of the points in focus.
    held : bool
        Whether a method must lay the pictures on the first by itself.
    """

    pictures: list[Picture]
    greys: list[Floats]
    motions: list[Doubles]
    held: bool


@dataclass(frozen=True, slots=True)
class Depths:
    """Two depths, and how far points lie from the nearer of them (root mean square); mm."""

    near: float
    far: float
    beside: float

    @property
    def contrast(self) -> float:
        """How many times farther apart than points lie beside them."""
        return (self.far - self.near) / max(self.beside, 1e-9)


def two_depths(z_mm: Floats) -> Depths | None:
    """Return the two depths of a window; None where it has no two.

    Parameters
    ----------
    z_mm : array (rows, cols)

    Returns
    -------
    Depths
        Means of the two groups whose points lie nearest to their means (Lloyd's iteration).
    """
    points = z_mm[np.isfinite(z_mm)].astype(np.float64)
    if points.size < _SEEN * z_mm.size:
        return None
    near, far = np.quantile(points, [0.1, 0.9])
    for _ in range(20):
        behind = points > (near + far) / 2
        if not _LEAST_SHARE < behind.mean() < 1 - _LEAST_SHARE:
            return None
        near, far = points[~behind].mean(), points[behind].mean()
    beside = np.sqrt(np.mean((points - np.where(behind, far, near)) ** 2))
    return Depths(float(near), float(far), float(beside))


def find_window(name: str, size: tuple[int, int] = SIZE_PX) -> TwoDepths | None:
    """Return the window of a scene that is most nearly of two depths; None where none is.

    The lens is stopped so that they are `APART` depths of field apart, as far as it goes.

    Parameters
    ----------
    name : str
        As for `load_scene`, such as ``"leaf:7"``.
    size : (width, height)
    """
    scene = load_scene(name)
    rig = load_rig(scene.rig)
    bin = max(1, min(size) // _ACROSS)
    z = np.clip(view_depth(scene, rig, bin=bin), *scene.depth_mm)
    high, wide = size[1] // bin, size[0] // bin
    best: tuple[float, int, int] | None = None
    for row in range(1, z.shape[0] - high, max(1, high // 3)):
        for col in range(1, z.shape[1] - wide, max(1, wide // 3)):
            found = two_depths(z[row : row + high, col : col + wide])
            if found and (best is None or found.contrast > best[0]):
                best = (found.contrast, row * bin, col * bin)
    if best is None:
        return None
    crop = (*size, best[2], best[1])
    depths = two_depths(np.clip(view_depth(scene, rig, crop=crop), *scene.depth_mm))
    if depths is None:
        return None
    rig = _stopped(rig, depths)
    unit = depth_of_field_mm(rig, blur_um=BLUR_CRITERION_UM).total_mm
    if depths.far - depths.near < LEAST_APART * unit:
        return None
    return TwoDepths(scene, rig, crop, depths.near, depths.far)


def _stopped(rig: Rig, depths: Depths) -> Rig:
    unit = depth_of_field_mm(rig, blur_um=BLUR_CRITERION_UM).total_mm
    wanted = rig.lens.f_number * (depths.far - depths.near) / (APART * unit)
    return stopped_to(rig, float(np.clip(wanted, *_F_NUMBERS)))


def best_choice_db(window: TwoDepths) -> float:
    """Return the PSNR of the two frames' best choice, by the truth in small windows.

    What choosing between the two frames can about reach; no merge of the pool is asked.
    """
    taken, truth = take(window, SHOTS[0], seed=0), reference(window)
    errors = [ndimage.gaussian_filter((grey - truth) ** 2, 1.0) for grey in taken.greys]
    best = np.where(errors[0] <= errors[1], taken.greys[0], taken.greys[1])
    return psnr_db(best, truth)


def psnr_db(picture: Floats, truth: Floats) -> float:
    """Return the PSNR within the rim, dB, white being 1."""
    square = np.square(picture.astype(np.float64) - truth)[inner(truth.shape)]
    return float(-10.0 * np.log10(max(float(square.mean()), 1e-12)))


def reference(window: TwoDepths) -> Floats:
    """Return the window in focus all over, sRGB-encoded luma 0..1."""
    picture: Floats = clipped_srgb(render(window.scene, window.camera, focus=())) @ LUMA
    return picture


def take(window: TwoDepths, shots: Shots, *, seed: int) -> Taken:
    """Take the frames of a window in 8 bits."""
    count = _MANY if shots.many else 2
    focus = np.linspace(window.near_mm, window.far_mm, count)
    cameras = list(_cameras(window, count, seed)) if shots.held else [window.camera] * count
    pictures = [
        _shot(window, camera, z, noise=shots.noise, seed=seed, number=number)
        for number, (camera, z) in enumerate(zip(cameras, focus, strict=True))
    ]
    motions = [_motion(window, camera, z) for camera, z in zip(cameras, focus, strict=True)]
    greys = [_laid(picture, motion) for picture, motion in zip(pictures, motions, strict=True)]
    return Taken(pictures, greys, motions, shots.held)


def _shot(
    window: TwoDepths, camera: Camera, z_mm: float, *, noise: bool, seed: int, number: int
) -> Picture:
    """Return one frame: the camera's view with the blur of a lens focused at a depth."""
    focused = Camera(window.rig, camera.pose, float(z_mm))
    light = render(window.scene, camera, focus=(focused,))
    rng = stream(seed, window.scene.name, "pairs-noise", number)
    numbers = expose(light, window.rig, iso=_ISO, rng=rng, noise=noise)
    return develop(numbers, window.rig, bits=8).astype(np.uint8)


def _cameras(window: TwoDepths, count: int, seed: int) -> Iterator[Camera]:
    """Yield the cameras of hand-held frames, the first as the reference has it.

    Sway and rotation are those of a braced stance; the subject is framed again by moving the crop,
    but for a few pixels. The depth that is in focus is as planned.
    """
    yield window.camera
    stance = load_stance(_HELD)
    rng = stream(seed, window.scene.name, "pairs-hands")
    middle = (window.near_mm + window.far_mm) / 2
    for _ in range(count - 1):
        x, y = rng.standard_normal(2) * stance.sway_mm[:2]
        pitch, yaw, roll = rng.standard_normal(3) * stance.rotation_mrad
        pose = Pose(x_mm=x, y_mm=y, pitch_mrad=pitch, yaw_mrad=yaw, roll_mrad=roll)
        moved = Camera(window.rig, pose, 0.0, window.crop)
        points = _points_mm(window.camera, middle)
        shift = np.mean(_px(moved, points) - _px(window.camera, points), axis=0)
        down, across = np.rint(shift).astype(int) + rng.integers(-_LEFT_PX, _LEFT_PX + 1, 2)
        yield Camera(window.rig, pose, 0.0, _moved(window, int(across), int(down)))


def _moved(window: TwoDepths, across: int, down: int) -> Crop:
    """Return the window's crop moved, kept on the sensor."""
    width, height, left, top = (*window.crop, 0, 0)[:4]
    sensor = window.rig.sensor
    return (
        width,
        height,
        min(max(left + across, 0), sensor.width_px - width),
        min(max(top + down, 0), sensor.height_px - height),
    )


def _px(camera: Camera, points_mm: Doubles) -> Doubles:
    row, col, _ = camera.project(points_mm)
    return np.stack([row, col], axis=-1)


def _points_mm(camera: Camera, z_mm: float) -> Doubles:
    """Return points of a depth that the view shows, (n, 3)."""
    rows, cols = camera.frame.shape
    grid = np.stack(np.meshgrid(np.linspace(0, rows, 5), np.linspace(0, cols, 5)), -1)
    corners = np.array([[0.0, 0.0, z_mm], [1.0, 0.0, z_mm], [0.0, 1.0, z_mm]])
    origin, right, below = _px(camera, corners)
    px = grid.reshape(-1, 2) - origin
    across_down = np.linalg.solve(np.stack([right - origin, below - origin], axis=1), px.T).T
    return np.column_stack([across_down, np.full(len(px), z_mm)])


def _motion(window: TwoDepths, camera: Camera, z_mm: float) -> Doubles:
    """Return the affine map of the points at the depth in focus, (x, y) to (x, y)."""
    points = _points_mm(window.camera, z_mm)
    # Index 0 is the centre of the first pixel, at coordinate 0.5.
    here, there = (_px(one, points)[:, ::-1] - 0.5 for one in (window.camera, camera))
    fit, *_ = np.linalg.lstsq(np.column_stack([here, np.ones(len(here))]), there, rcond=None)
    return np.vstack([fit.T, [0.0, 0.0, 1.0]])


def _laid(picture: Picture, motion: Doubles) -> Floats:
    """Lay a frame on the reference by the true motion; edges are repeated."""
    grey: Floats = picture.astype(np.float32) @ LUMA / np.float32(255.0)
    if np.allclose(motion, np.eye(3), atol=1e-9):
        return grey
    turned = motion[[1, 0, 2]][:, [1, 0, 2]]  # to rows and columns
    laid = np.empty_like(grey)
    ndimage.affine_transform(
        grey, turned[:2, :2], offset=turned[:2, 2], output=laid, order=3, mode="nearest"
    )
    return laid


def inner(shape: tuple[int, ...]) -> Bools:
    """Return where a picture is scored: all but its rim."""
    mask = np.zeros(shape, dtype=bool)
    mask[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX] = True
    return mask
