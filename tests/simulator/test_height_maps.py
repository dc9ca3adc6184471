"""Height maps of one's own: scipy's spline, planes and caps by hand, rounding noise."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from stacktruth import render_view, view_depth
from stacktruth.ground.pictures import encode_image
from stacktruth.simulator.data import DataFileError
from stacktruth.simulator.loading.scenes import load_scene
from stacktruth.simulator.rig import load_rig
from stacktruth.simulator.scene.relief.height_map import HeightMap, without_terraces
from stacktruth.simulator.scene.relief.reliefs import bounds_mm, height_mm

RIG = load_rig("test-rig")  # sees 3.84 x 2.56 mm
HEAD = """
field_mm = [3.84, 2.56]
depth_mm = [-0.5, 0.5]
[[surface]]
name = "ground"
texture = { kind = "octaves", palette = ["#222222", "#dddddd"], cell_mm = 0.3 }
"""
MAP = 'relief = {{ kind = "heights", file = "{name}", width_mm = 5.0, {more} }}\n'


def saved(folder, values, name="mine.tif"):
    """Write a height map and return its path."""
    path = folder / name
    path.write_bytes(encode_image(values, path.suffix))
    return path


def scene_of(folder, relief):
    """Return a scene of one surface of this relief."""
    (folder / "scene.toml").write_text(HEAD + relief)
    return load_scene(folder / "scene.toml")


def mapped(folder, name="mine.tif", more="white_mm = 1.0"):
    """Return a scene of one surface of a height map, 5 mm wide."""
    return scene_of(folder, MAP.format(name=name, more=more))


def middles(cols, rows, width_mm):
    """Return x and y of the middles of a map's pixels, mm."""
    pitch = width_mm / cols
    line = [(np.arange(n) - (n - 1) / 2) * pitch for n in (cols, rows)]
    return np.meshgrid(*line)


@pytest.mark.parametrize(("repeat", "mode"), [("tile", "grid-wrap"), ("mirror", "reflect")])
def test_heights_between_pixels_are_those_of_scipys_spline(tmp_path, repeat, mode):
    """scipy.ndimage.map_coordinates, order 2, of the values as they are; far beyond edges too."""
    values = np.random.default_rng(3).random((24, 36)).astype(np.float32)
    made = HeightMap(file=str(saved(tmp_path, values)), width_mm=3.6, white_mm=1, repeat=repeat)
    x, y = np.random.default_rng(4).uniform(-9, 9, (2, 500))
    at = [y / 0.1 + 11.5, x / 0.1 + 17.5]
    want = map_coordinates(values.astype(float), at, order=2, prefilter=False, mode=mode)
    assert height_mm(made, x, y, seed=0) == pytest.approx(want, abs=1e-4)  # float32 places


def test_beyond_a_map_its_edge_goes_on(tmp_path):
    """Level: the height of the nearest place of the edge, which is that of its pixels."""
    values = np.random.default_rng(3).random((24, 36)).astype(np.float32)
    made = HeightMap(file=str(saved(tmp_path, values)), width_mm=3.6, white_mm=1)
    y = (np.arange(24) - 11.5) * 0.1
    right = height_mm(made, np.full(24, 1.8), y, seed=0)
    assert height_mm(made, np.full(24, 9.0), y, seed=0) == pytest.approx(right, abs=1e-6)
    lines = np.pad(values[:, -1], 1, mode="edge")
    assert right == pytest.approx(lines[:-2] / 8 + lines[1:-1] * 0.75 + lines[2:] / 8, abs=1e-5)


def test_a_map_of_a_plane_is_the_slope_of_the_project(tmp_path):
    """The same depth, to a thousandth of a pixel, and the same picture, light and all."""
    x, y = middles(100, 70, 5.0)
    saved(tmp_path, (0.5 + 0.3 * x - 0.1 * y).astype(np.float32))
    got = mapped(tmp_path, more="white_mm = 0.5, black_mm = -0.5")
    want = scene_of(tmp_path, 'relief = { kind = "slope", slope_x = 0.3, slope_y = -0.1 }\n')
    assert view_depth(got, RIG) == pytest.approx(view_depth(want, RIG), abs=2e-5)
    one, other = (render_view(scene, RIG, focus_mm=0.1, quality="fast") for scene in (got, want))
    assert np.ptp(other) > 0.3
    assert one == pytest.approx(other, abs=2e-3)


@pytest.mark.parametrize(
    ("dtype", "name", "off"),
    # Float alone has only what the spline leaves out: 1/8 of the second difference each way,
    # 2/8 (0.05^2 / 3 mm) / sqrt(1 - (1.6/3)^2)^3. Half a step of 16 bits is 8e-6 mm; 8 bits stay
    # within half a step of 4 um at the cap's slopes.
    [
        (np.float32, "a.tif", 4e-4),
        (np.uint16, "a.tif", 4.1e-4),
        (np.uint16, "a.png", 4.1e-4),
        (np.uint8, "a.png", 2.4e-3),
    ],
)
def test_a_cap_of_a_sphere_is_seen_where_geometry_has_it(tmp_path, dtype, name, off):
    """Each ray meets a sphere of 3 mm, its top at z = -1: a quadratic equation by hand."""
    x, y = middles(100, 80, 5.0)
    height = np.sqrt(np.maximum(9 - x * x - y * y, 0)) - 2  # 1 at the top
    share = np.clip(height, 0, 1)
    most = 1 if dtype is np.float32 else np.iinfo(dtype).max
    values = (share * most if most == 1 else np.rint(share * most)).astype(dtype)
    saved(tmp_path, values, name)
    got = view_depth(mapped(tmp_path, name), RIG)
    # The pupil stands d = f (1/m + 1/p) = 100 mm before z = 0, and looks along z.
    cx, cy = middles(192, 128, 3.84)
    tx, ty = cx / 100, cy / 100
    # (t x, t y, t - 100) on the sphere about (0, 0, 2): a t^2 - 2 b t + c = 0, the nearer root.
    a, b, c = 1 + tx * tx + ty * ty, 102.0, 102.0**2 - 9
    want = (b - np.sqrt(b * b - a * c)) / a - 100
    seen = np.hypot(cx, cy) < 1.6
    assert np.abs(got - want)[seen].max() < off


def test_16_bits_and_floating_point_give_one_picture(tmp_path):
    """PNG of 16 bits against TIFF of floating point: within the steps of 16 bits."""
    x, y = middles(100, 70, 5.0)
    height = (0.5 + 0.3 * np.sin(3 * x) * np.cos(2 * y)).astype(np.float32)
    saved(tmp_path, height)
    saved(tmp_path, np.rint(height * 65535).astype(np.uint16), "mine.png")
    views = []
    for name in ("mine.tif", "mine.png"):
        scene = mapped(tmp_path, name)
        views.append((view_depth(scene, RIG), render_view(scene, RIG, quality="fast")))
    assert views[0][0] == pytest.approx(views[1][0], abs=1.5 / 65535)
    assert views[0][1] == pytest.approx(views[1][1], abs=3e-3)


def test_8_bits_make_no_terraces_on_an_even_slope():
    """A plane of 1/50 of a step a pixel comes back: 50 pixels a terrace, rounded to whole steps."""
    y, x = np.mgrid[0:300, 0:300].astype(float)
    plane = 40 + 0.02 * x + 0.007 * y
    got = without_terraces(np.rint(plane), "none")
    assert np.abs(got - plane).max() < 0.12  # at corners; 0.5 before
    inside = np.s_[60:-60, 60:-60]
    tilt = np.hypot(*np.gradient(got - plane))[inside]
    assert np.sqrt(np.mean(tilt**2)) < 0.02 * 0.021  # a fiftieth of the slope; before, its fivefold


def test_a_file_of_8_bits_is_read_without_its_terraces(tmp_path):
    """A slope of 1/20 of a step a pixel: no second difference of a fifth of a step is left."""
    ramp = 100 + 0.05 * np.arange(120)
    values = np.repeat(np.rint(ramp)[None, :], 60, axis=0)
    saved(tmp_path, values.astype(np.uint8), "mine.png")
    saved(tmp_path, values.astype(np.float32), "mine.tif")
    x, bends = np.arange(-40.0, 40.0), []
    for name, white in (("mine.png", 255.0), ("mine.tif", 1.0)):  # in steps
        made = HeightMap(file=str(tmp_path / name), width_mm=120, white_mm=white)
        got = height_mm(made, x, 0 * x, seed=0)
        assert got == pytest.approx(100 + 0.05 * (x + 59.5), abs=0.6)
        bends.append(np.abs(np.diff(got.astype(float), 2)).max())
    assert bends[0] < 0.002
    assert bends[1] > 0.2


def test_8_bits_of_a_dome_are_nearly_as_smooth_as_it_was():
    """Slopes of a rounded dome err by 0.4 of a step a pixel before, and a tenth of that after."""
    y, x = np.mgrid[-100:100, -100:100].astype(float)
    dome = 255 * np.sqrt(1 - 0.6 * (x * x + y * y) / 2 / 100**2)
    before = np.hypot(*np.gradient(np.rint(dome) - dome))
    after = np.hypot(*np.gradient(without_terraces(np.rint(dome), "none") - dome))
    assert np.sqrt(np.mean(before**2)) > 0.25
    assert np.sqrt(np.mean(after**2)) < 0.1 * np.sqrt(np.mean(before**2))


def test_edges_and_grain_of_8_bits_are_left_as_they_are():
    """A cliff, a spike and grain of some steps are no rounding."""
    rng = np.random.default_rng(1)
    cliff = np.zeros((150, 150))
    cliff[:, 75:] = 100
    spike = np.full((150, 150), 100.0)
    spike[70, 80] = 104
    for values in (cliff, spike, np.rint(rng.normal(100, 3, (150, 150)))):
        assert np.abs(without_terraces(values, "none") - values).max() < 1e-3


@pytest.mark.parametrize("repeat", ["none", "tile", "mirror"])
@pytest.mark.parametrize("values", ["noise", "ramp"])
def test_smoothed_heights_stay_within_a_step(repeat, values):
    """Of what the file says, everywhere."""
    rng = np.random.default_rng(5)
    noise = np.rint(rng.normal(50, 0.4, (120, 90)))
    ramp = np.rint(np.add.outer(np.arange(120) * 0.1, np.arange(90) * 0.3))
    given = noise if values == "noise" else ramp
    assert np.abs(without_terraces(given, repeat) - given).max() < 1


def test_white_may_be_lower_than_black_and_a_bell_smooths(tmp_path):
    """A map of hollows; a spike of one pixel under a bell of 2 pixels is 1 / (8 pi) as high."""
    values = np.zeros((41, 41), np.float32)
    values[20, 20] = 1
    made = HeightMap(file=str(saved(tmp_path, values)), width_mm=4.1, white_mm=-1.0, soft_px=2)
    # The spline is a bell of variance 1/4 more: 1 / (2 pi (4 + 1/4)), to what a lattice adds.
    assert height_mm(made, 0, 0, seed=0) == pytest.approx(-1 / (2 * np.pi * 4.25), rel=0.01)
    low, high = bounds_mm(made)
    assert low == pytest.approx(-1 / (8 * np.pi), rel=0.01)
    assert high == pytest.approx(0, abs=1e-6)


GREY = np.zeros((5, 5), np.uint8)
COLOURS = np.zeros((5, 5, 3), np.uint8)
COLOURS[2, 2] = (1, 2, 3)
NAN = np.zeros((5, 5), np.float32)
NAN[1, 1] = np.nan
HIGH = np.full((5, 5), 5000, np.float32)
WRONG = {
    "absent": (None, "mine.png", "white_mm = 1", r"mine\.png: got 'No such file or directory'"),
    "no picture": (b"II*\0", "mine.tif", "white_mm = 1", r"mine\.tif cannot be read as a picture"),
    "NaN": (NAN, "mine.tif", "white_mm = 1", r"got 1 values that are NaN or infinite, allowed no"),
    "one wide": (GREY[:, :1], "mine.png", "white_mm = 1", r"got 1 x 5 pixels, allowed 2 or more"),
    "colours": (COLOURS, "mine.png", "white_mm = 1", r"got a picture in colours, allowed heights"),
    "no height": (GREY, "mine.png", "black_mm = 1", r"heights\.white_mm' is missing"),
    "level": (GREY, "mine.png", "white_mm = 0", r"white_mm: got 0, allowed another than black_mm"),
    "far": (GREY, "mine.png", "white_mm = 2e4", r"white_mm': got 20000\.0, allowed 1e-06 to 1000"),
    "unit": (HIGH, "mine.tif", "white_mm = 1", r"got heights from"),
    "edge": (GREY, "mine.png", 'white_mm = 1, repeat = "blend"', r"repeat': got 'blend', allowed"),
}


@pytest.mark.parametrize("case", WRONG)
def test_what_is_wrong_is_told_by_scene_key_and_file(tmp_path, case):
    """One sentence: the scene file, the key, the picture, what was got and what is allowed."""
    values, name, more, match = WRONG[case]
    if isinstance(values, bytes):
        (tmp_path / name).write_bytes(values)
    elif values is not None:
        saved(tmp_path, values, name)
    with pytest.raises(DataFileError, match=match) as told:
        mapped(tmp_path, name, more)
    text = str(told.value)
    assert text.startswith(str(tmp_path / "scene.toml"))
    assert "surface.0" in text
    assert "relief" in text
    assert "allowed" in text


def test_a_width_has_to_be_told_and_be_one_of_this_world(tmp_path):
    """By key."""
    saved(tmp_path, GREY, "mine.png")
    relief = MAP.format(name="mine.png", more="white_mm = 1")
    for change, match in (
        ("", r"relief\.heights\.width_mm' is missing"),
        ("width_mm = -1,", r"width_mm': got -1, allowed more than 0"),
        ("width_mm = 20000,", r"width_mm': got 20000, allowed 1e-06 to 1000 mm"),
    ):
        with pytest.raises(DataFileError, match=match):
            scene_of(tmp_path, relief.replace("width_mm = 5.0,", change))


def test_colour_and_height_of_one_width_coincide(tmp_path):
    """A bright post of the picture stands where the map has it: what is near is bright."""
    height = np.zeros((70, 100), np.float32)
    height[40:50, 60:75] = 1
    saved(tmp_path, height)
    saved(tmp_path, np.repeat(height[..., None], 3, axis=2), "colour.tif")
    text = HEAD.partition("texture")[0] + (
        'texture = { kind = "picture", file = "colour.tif", width_mm = 5.0 }\nlit = false\n'
    )
    relief = MAP.format(name="mine.tif", more="white_mm = 0.02")
    (tmp_path / "scene.toml").write_text(text + relief)
    scene = load_scene(tmp_path / "scene.toml")
    near = view_depth(scene, RIG) < -0.01
    light = render_view(scene, RIG, diffraction=False, focus_mm=-0.01)[..., 1]
    # 15 x 10 pixels of 0.05 mm, whose middle lies (17.5 0.05, 10 0.05) mm from the map's.
    assert near.sum() * 0.02**2 == pytest.approx(0.75 * 0.5, rel=0.02)
    row, col = (float(found.mean()) for found in np.nonzero(near))
    assert ((col - 95.5) * 0.02, (row - 63.5) * 0.02) == pytest.approx((0.875, 0.5), abs=0.01)
    assert light[near].mean() > 0.9
    assert light[~near].mean() < 0.03
