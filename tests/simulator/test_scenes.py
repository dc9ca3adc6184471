"""The shipped scenes: complete, of the size they state, and near enough to natural pictures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stacktruth.ground.srgb import luma
from stacktruth.simulator import Pose, load_rig, load_scene, render_view, view_depth
from stacktruth.simulator.data import list_data_files
from stacktruth.simulator.scene.scene import Fibres
from stacktruth.simulator.view.coverage import outline_distance
from stacktruth.simulator.view.fibre_view import FibrePart
from stacktruth.simulator.view.parts import parts_of
from stacktruth.simulator.view.sheet_view import SheetPart

SCENES = list_data_files("scene")
TARGETS = {"ramp", "steps", "cone", "pickets", "slanted-edges", "spokes"}
TRAY = {
    "sticky-leaf",
    "snail-shell",
    "lichen-cup",
    "moss",
    "seed-burr",
    "mineral",
    "coin",
    "circuit-board",
}


def frame_size(scene, rig, *, bin):
    """Return the crop (width, height) that shows the scene's field, a multiple of the bin."""
    per_mm = rig.lens.magnification / rig.sensor.pitch_um * 1000
    sensor = (rig.sensor.width_px, rig.sensor.height_px)
    pixels = (min(side * per_mm, most) for side, most in zip(scene.field_mm, sensor, strict=True))
    return tuple(int(side) // bin * bin for side in pixels)


def test_all_promised_scenes_are_shipped():
    """Six engineering targets and eight things from the naturalist's tray."""
    assert set(SCENES) >= TARGETS | TRAY


@pytest.mark.parametrize("name", SCENES)
def test_scene_states_what_it_is(name):
    """Title, description, a rig that is shipped, and a field that the rig's sensor shows."""
    scene = load_scene(name)
    rig = load_rig(scene.rig)
    assert len(scene.title) > 10
    assert len(scene.about) > 30
    sensor_mm = np.array([rig.sensor.width_px, rig.sensor.height_px]) * rig.sensor.pitch_um / 1000
    assert np.array(scene.field_mm) == pytest.approx(sensor_mm / rig.lens.magnification, rel=0.01)


@pytest.mark.parametrize("name", SCENES)
def test_depth_range_holds_the_subject(name):
    """No ray goes past everything, and at least 85 % of the picture lies in the stated depths."""
    scene = load_scene(name)
    rig = load_rig(scene.rig)
    depth = view_depth(scene, rig, crop=frame_size(scene, rig, bin=24), bin=24)
    near, far = scene.depth_mm
    assert np.isfinite(depth).all()
    assert np.mean((depth > near - 0.2) & (depth < far + 0.2)) > 0.85
    # The range is used: its middle three quarters are not empty on either side.
    low, high = np.quantile(depth, [0.002, 0.85])
    assert low < near + 0.5 * (far - near)
    assert high > near + 0.4 * (far - near)


@pytest.mark.parametrize("name", SCENES)
def test_a_moving_camera_sees_something_behind_every_edge(name):
    """From poses that a hand reaches, every ray still meets a surface."""
    scene = load_scene(name)
    rig = load_rig(scene.rig)
    for x, y in ((0.8, -0.6), (-0.8, 0.6)):
        pose = Pose(x_mm=x, y_mm=y, yaw_mrad=-8 * x, pitch_mrad=8 * y)
        depth = view_depth(scene, rig, pose=pose, crop=frame_size(scene, rig, bin=48), bin=48)
        assert np.isfinite(depth).all()


@pytest.mark.slow
@pytest.mark.parametrize("name", SCENES)
def test_picture_has_the_spectrum_of_natural_pictures(name):
    """Power falls with frequency to a power between 1.5 and 3 (Field 1987: about 2).

    Taken of the frame focused on the middle depth, over the whole field at 24 um pixels, from 4
    cycles per frame height to a quarter of the sampling frequency. What the fast level leaves out
    is at edges alone: of two scenes the slope was the same to 0.001.
    """
    scene = load_scene(name)
    rig = load_rig(scene.rig)
    crop = frame_size(scene, rig, bin=6)
    middle = float(np.median(view_depth(scene, rig, crop=crop, bin=24)))
    frame = render_view(scene, rig, crop=crop, bin=6, pose=Pose(z_mm=middle), quality="fast")
    assert -3.0 <= spectral_slope(grey(frame)) <= -1.5


@pytest.mark.slow
@pytest.mark.parametrize("name", SCENES)
def test_focus_matters_at_the_real_pixel(name):
    """Gradient energy of the sharpest frame is at least 4 times that of the most defocused."""
    scene = load_scene(name)
    rig = load_rig(scene.rig)
    crop = (768, 512)
    middle = float(np.median(view_depth(scene, rig, crop=crop, bin=4)))
    energy = []
    for z in (middle, *scene.depth_mm):
        frame = render_view(scene, rig, crop=crop, pose=Pose(z_mm=z), quality="fast")
        gy, gx = np.gradient(grey(frame))
        energy.append(float(np.mean(gx * gx + gy * gy)))
    assert max(energy) >= 4 * min(energy)


@pytest.mark.slow
@pytest.mark.parametrize("name", SCENES)
def test_detail_goes_down_to_the_real_pixel(name):
    """Without any blur, the 1:1 picture still has contrast between neighbouring pixels."""
    scene = load_scene(name)
    rig = load_rig(scene.rig)
    needle = replace(rig, lens=replace(rig.lens, f_number=4000.0))
    picture = grey(render_view(scene, needle, crop=(768, 512), diffraction=False))
    assert np.abs(np.diff(picture, axis=1)).mean() > 0.001


def grey(frame):
    """Return clipped luminance."""
    return luma(np.clip(frame, 0, 1))


def spectral_slope(picture):
    """Return the log-log slope of the radial mean power, every octave of equal weight."""
    n = min(picture.shape)
    window = np.hanning(n)[:, None] * np.hanning(n)[None, :]
    square = picture[:n, :n]
    power = np.abs(np.fft.fft2((square - square.mean()) * window)) ** 2
    radius = np.hypot(np.fft.fftfreq(n, 1 / n)[:, None], np.fft.fftfreq(n, 1 / n)[None, :])
    ring = radius.astype(int).ravel()
    mean = np.bincount(ring, power.ravel()) / np.bincount(ring)
    chosen = np.arange(4, n // 4)
    weight = 1 / np.sqrt(chosen)
    return np.polyfit(np.log(chosen), np.log(mean[chosen]), 1, w=weight)[0]


@pytest.mark.parametrize("name", ["sticky-leaf", "seed-burr"])
def test_hairs_are_rooted_in_their_sheet(name):
    """Fibres that grow on a sheet have their roots inside its outline, on its surface."""
    scene = load_scene(name)
    parts = parts_of(scene)
    sheets = {part.name: part for part in parts if isinstance(part, SheetPart)}
    bundles = {s.name: s.on for s in scene.surface if isinstance(s, Fibres) and s.on}
    roots = [(bundles[p.name], p.points_mm[0]) for p in parts if p.name in bundles and fibre(p)]
    assert len(roots) > 100
    for on, root in roots:
        sheet = sheets[on]
        x, y = np.float32(root[:1]), np.float32(root[1:2])
        assert sheet.z_mm(x, y)[0] == pytest.approx(root[2], abs=1e-3)
        outline = sheet.spec.outline
        if outline.kind != "everywhere":
            assert outline_distance(outline, *sheet.own(x, y), 1.0)[0] > 0


def fibre(part):
    """Tell fibres from the drops at their tips."""
    return isinstance(part, FibrePart)
