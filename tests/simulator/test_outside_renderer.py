"""Tests against an outside renderer: stored pictures of the exported geometry by Mitsuba 3."""

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

from stacktruth.simulator import Pose, Scene, load_scene
from stacktruth.simulator.blur.basis import optics_of
from stacktruth.simulator.blur.focusing import frame_blur_px
from stacktruth.simulator.compositing.render import render, views_in
from stacktruth.simulator.view.camera import Camera

REFERENCES = Path(__file__).resolve().parents[1] / "references"
sys.path.insert(0, str(REFERENCES))

from outside_cases import FOLDER, cases  # noqa: E402
from path_tracer import Tracer  # noqa: E402
from stored import load  # noqa: E402

CASES = cases()
#: PSNR over the whole picture and near occluding edges, dB, for the fast way and through 16 cells
#: of the pupil. One side of each edge is in focus but in the last two.
BOUNDS = {
    "relief": (48.0, None, 55.0, None),
    "blurred-bar": (48.0, 38.0, 55.0, 50.0),
    "sharp-bar": (48.0, 38.0, 55.0, 50.0),
    "orientation": (48.0, 38.0, 55.0, 50.0),
    "hairs": (48.0, 38.0, 55.0, 50.0),
    "droplet": (48.0, 38.0, 55.0, 50.0),
    "dome": (48.0, 38.0, 55.0, 50.0),
    "opposite-blurs": (48.0, 42.0, 55.0, 50.0),
    "same-side-blurs": (48.0, 42.0, 55.0, 50.0),
}


def reference(name: str) -> np.ndarray:
    """Return the stored picture."""
    with np.load(FOLDER / f"{name}.npz") as held:
        if "picture" in held:
            return held["picture"].astype(np.float32)
    return load(FOLDER / f"{name}.npz").mean


def psnr_db(ours: np.ndarray, theirs: np.ndarray, where: np.ndarray) -> float:
    """Compare what a sensor would hold: light above saturation counts as saturation."""
    error = (np.minimum(ours, 1) - np.minimum(theirs, 1))[where]
    return float(-10 * np.log10(np.mean(np.square(error))))


def near_edges(scene: Scene, camera: Camera) -> np.ndarray:
    """Return where a pixel is within the larger blur radius of its edge, and two pixels more."""
    key = optics_of(camera.lens_rig, pitch_um=camera.pitch_um, diffraction=False)
    rows, cols = camera.frame.shape
    part_at, blur = np.full((rows, cols), -1), np.zeros((rows, cols), np.float32)
    for number, (_, view) in enumerate(views_in(scene, camera, camera.frame)):
        area = view.window.slices_in(camera.frame)
        solid = np.ones(view.window.shape, bool)
        if view.coverage is not None:
            solid = view.coverage >= 0.5
        size = np.abs(frame_blur_px(camera, camera, key, view.window, view.depth_mm))
        part_at[area][solid] = number
        blur[area][solid] = np.broadcast_to(size, solid.shape)[solid]
    wide = ndimage.maximum_filter(blur, 3)
    edge = ndimage.maximum_filter(part_at, 3) != ndimage.minimum_filter(part_at, 3)
    near = np.zeros((rows, cols), bool)
    for radius in np.unique(np.ceil(wide[edge])):
        here = edge & (np.ceil(wide) == radius)
        near |= ndimage.distance_transform_edt(~here) <= radius + 2
    return near


@pytest.mark.parametrize("cells", [1, 16])
@pytest.mark.parametrize("name", BOUNDS)
def test_picture_agrees_with_the_outside_renderer(name: str, cells: int) -> None:
    """Overall and near occluding edges, without diffraction, which Mitsuba does not know."""
    case = CASES[name]
    overall, at_edges = BOUNDS[name][:2] if cells == 1 else BOUNDS[name][2:]
    ours = render(case.scene, case.camera, focus=(case.camera,), diffraction=False, cells=cells)
    theirs = reference(name)
    whole = np.ones(ours.shape[:2], bool)
    got = psnr_db(ours, theirs, whole)
    assert got >= overall, f"{name}: {got:.1f} dB"
    if at_edges is not None:
        near = near_edges(case.scene, case.camera)
        got_near = psnr_db(ours, theirs, near)
        assert got_near >= at_edges, f"{name}: {got_near:.1f} dB near edges"


@pytest.mark.parametrize("axis", ["x_mm", "y_mm", "z_mm", "pitch_mrad", "yaw_mrad", "roll_mrad"])
def test_a_flipped_axis_would_be_seen(axis: str) -> None:
    """The orientation case falls far below its bound when any sign of the pose is turned."""
    case = CASES["orientation"]
    pose = case.camera.pose
    values = {name: getattr(pose, name) for name in pose.__slots__}
    turned = Camera(case.camera.rig, Pose(**{**values, axis: -values[axis]}))
    ours = render(case.scene, turned, focus=(turned,), diffraction=False)
    whole = np.ones(ours.shape[:2], bool)
    assert psnr_db(ours, reference("orientation"), whole) < BOUNDS["orientation"][0] - 6


@pytest.mark.slow
def test_references_come_from_this_code() -> None:
    """A live rendering at few samples agrees with the stored picture within its own noise."""
    case = CASES["blurred-bar"]
    tracer = Tracer(case, variant="scalar_rgb")
    live, other = (tracer.picture(samples=64, seed=seed) for seed in (7, 8))
    noise = np.sqrt(np.mean(np.square(live - other)) / 2)
    error = np.sqrt(np.mean(np.square(live - reference("blurred-bar"))))
    assert error < 1.5 * noise + 1e-3
    assert load_scene(FOLDER / "blurred-bar.toml") == case.scene
