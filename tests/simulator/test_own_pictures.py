"""Pictures of one's own as textures: IEC 61966-2-1, scipy, sampling theorem, geometry by hand."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from stacktruth.ground.checksum import file_sha256
from stacktruth.ground.pictures import encode_image
from stacktruth.simulator.data import DataFileError
from stacktruth.simulator.loading.scenes import load_scene
from stacktruth.simulator.own_files import OwnFile, own_files
from stacktruth.simulator.rig import load_rig
from stacktruth.simulator.scene.scene import scene_of_text
from stacktruth.simulator.scene.texture.own_picture import OwnPicture
from stacktruth.simulator.scene.texture.textures import sample
from stacktruth.simulator.shooting.shoot import shoot
from stacktruth.simulator.stack.manifest import plan_to_data
from stacktruth.simulator.stack.stackio import StackError, check_stack, read_stack, write_stack

#: sRGB of IEC 61966-2-1 worked by hand for half of 255 and above: ((128/255 + 0.055)/1.055)^2.4.
HALF = 0.2158605
#: A scene with one picture, all of it seen by the test rig (3.84 x 2.56 mm).
SCENE = """
field_mm = [3.84, 2.56]
depth_mm = [-0.5, 0.5]
[[surface]]
name = "card"
texture = {{ kind = "picture", file = "{name}", width_mm = 2.0{more} }}
"""


def saved(folder, image, name="mine.png"):
    """Write a picture and return its path."""
    path = folder / name
    path.write_bytes(encode_image(image, path.suffix))
    return path


def grain(rows=24, cols=36, seed=2, dtype=np.uint8):
    """Return a picture in colours of unrelated pixels."""
    most = np.iinfo(dtype).max
    return np.random.default_rng(seed).integers(0, most, (rows, cols, 3), dtype, endpoint=True)


def written(folder, *, name="mine.png", more=""):
    """Write a scene file that names a picture beside it, and return its path."""
    path = folder / "scene.toml"
    path.write_text(SCENE.format(name=name, more=more))
    return path


def colours(texture, x, y, footprint=1e-6):
    """Return the colours of points, by a pixel that sees all detail unless told."""
    return sample(texture, np.float32(x), np.float32(y), footprint_mm=footprint, seed=0)


@pytest.mark.parametrize(
    ("values", "name"),
    [
        (np.full((4, 6, 3), 128, np.uint8), "a.png"),
        (np.full((4, 6), 128, np.uint8), "a.tif"),
        (np.full((4, 6, 3), 128 * 257, np.uint16), "a.png"),
        (np.full((4, 6), 128 * 257, np.uint16), "a.tiff"),
        (np.full((4, 6, 3), HALF, np.float32), "a.tif"),
    ],
)
def test_srgb_is_decoded_and_floating_point_is_light(tmp_path, values, name):
    """128 of 255 is 0.2159 of the light (IEC 61966-2-1), whatever holds it."""
    made = OwnPicture(file=str(saved(tmp_path, values, name)), width_mm=3.0)
    assert colours(made, [0.2, -0.7], [0.1, 0.4]) == pytest.approx(HALF, abs=1e-6)


def test_its_first_pixel_is_at_the_upper_left_and_it_is_as_wide_as_told(tmp_path):
    """6 mm wide, 4 pixels across and 2 down: pixels of 1.5 mm about (0, 0), red to the left."""
    image = np.zeros((2, 4, 3), np.uint8)
    image[0, 0], image[1, 0], image[0, 3] = (255, 0, 0), (0, 255, 0), (0, 0, 255)
    made = OwnPicture(file=str(saved(tmp_path, image)), width_mm=6.0)
    middle = colours(made, [-2.25, -2.25, 2.25, 2.25], [-0.75, 0.75, -0.75, 0.75])
    assert middle == pytest.approx(np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], [0, 0, 0]]), abs=1e-6)
    # Half-way between the middles of a red and a black pixel.
    assert colours(made, -1.5, -0.75) == pytest.approx([0.5, 0, 0], abs=1e-6)


@pytest.mark.parametrize(("repeat", "mode"), [("tile", "grid-wrap"), ("mirror", "reflect")])
def test_beyond_its_edges_it_goes_on_as_scipy_does(tmp_path, repeat, mode):
    """scipy.ndimage.map_coordinates with its own rule for edges, far beyond them too."""
    light = np.random.default_rng(3).random((24, 36, 3)).astype(np.float32)
    made = OwnPicture(file=str(saved(tmp_path, light, "a.tif")), width_mm=36 * 0.1, repeat=repeat)
    x, y = np.random.default_rng(4).uniform(-9, 9, (2, 500))
    want = [
        map_coordinates(light[..., i], [y / 0.1 + 11.5, x / 0.1 + 17.5], order=1, mode=mode)
        for i in range(3)
    ]
    assert colours(made, x, y) == pytest.approx(np.transpose(want), abs=2e-4)  # float32 places


def test_a_mirrored_picture_has_no_seam_and_a_tiled_one_shows_its_edges(tmp_path):
    """From black on the left to white on the right: finite differences over the seam."""
    ramp = np.broadcast_to(np.linspace(0, 1, 50, dtype=np.float32), (10, 50))
    path = str(saved(tmp_path, np.ascontiguousarray(ramp), "ramp.tif"))
    x = np.linspace(0.5, 1.5, 2001)  # the right edge is at x = 1
    # Through a pixel of 3 of its own the slope, a square wave, overshoots by 9 % a side (Gibbs).
    for footprint, most in ((1e-6, 1.01), (0.12, 1.18)):
        steps = {}
        for repeat in ("mirror", "tile"):
            made = OwnPicture(file=path, width_mm=2.0, repeat=repeat)
            steps[repeat] = np.abs(np.diff(colours(made, x, 0 * x, footprint)[:, 0]))
        inside = 1 / 49 / 0.04 * 0.0005  # the slope of the ramp itself, for one step of x
        assert 0.98 * inside < steps["mirror"].max() < most * inside
        assert steps["tile"].max() > 4 * inside


def test_a_seamless_picture_is_tiled_as_it_would_go_on(tmp_path):
    """Sines of whole periods: a tile and a part of a wider one are the same, over the seam."""
    x, y = np.meshgrid((np.arange(120) + 0.5) / 40, (np.arange(40) + 0.5) / 40)
    wave = 0.5 + 0.2 * np.sin(2 * np.pi * 2 * x + 1) + 0.2 * np.cos(2 * np.pi * (x - y))
    wave = wave.astype(np.float32)
    wide = OwnPicture(file=str(saved(tmp_path, wave, "w.tif")), width_mm=3.0, repeat="tile")
    one = wave[:, :40].copy()
    tile = OwnPicture(file=str(saved(tmp_path, one, "t.tif")), width_mm=1.0, repeat="tile")
    at = np.linspace(-1.4, 1.4, 1000)
    # Texels of the two differ for the widest pixel, 26 and 76/3 a mm: of a wave of amplitude a and
    # k cycles, bilinear interpolation misses up to a (2 pi k / 26)^2 / 8.
    for footprint, off in (
        (1e-6, 2e-5),
        (0.02, 2e-5),
        (0.1, 0.2 * (4 + 2) * (2 * np.pi / 26) ** 2 / 8),
    ):
        got = colours(tile, at, 0.3 * at, footprint)
        assert got == pytest.approx(colours(wide, at, 0.3 * at, footprint), abs=off)


@pytest.mark.parametrize("repeat", ["tile", "mirror"])
@pytest.mark.parametrize(("cycles", "share"), [(4, 0.996), (10, 0.352), (16, 0.0)])
def test_a_pixel_sees_nothing_that_is_finer_than_itself(tmp_path, repeat, cycles, share):
    """Of a wave of c cycles over 24 pixels exp(-(c / 24 / 0.42)^6) is left, of its mean all.

    The filter of all tiles; the sampling theorem allows nothing of 16 cycles over 24 pixels.
    """
    n = 128
    wave = 0.5 + 0.4 * np.cos(2 * np.pi * cycles * (np.arange(n) + 0.5) / n)
    image = np.repeat(wave[None, :], 20, axis=0).astype(np.float32)
    made = OwnPicture(file=str(saved(tmp_path, image, "a.tif")), width_mm=n, repeat=repeat)
    x = np.linspace(-n / 2, n / 2, 4001)
    # Sizes of pixels are rounded to sixteenths of an octave, cut-offs down to eighths.
    footprint = 2.0 ** (np.round(np.log2(n / 24) * 16) / 16)
    got = colours(made, x, 0 * x, footprint)[:, 0]
    assert got.mean() == pytest.approx(0.5, abs=2e-3)
    low, high = (np.exp(-((cycles / n * footprint / cut) ** 6)) for cut in (0.385, 0.42))
    assert 0.93 * low - 1e-3 <= np.ptp(got) / 0.8 <= high + 1e-3  # bilinear between: 0.93
    assert np.ptp(got) / 0.8 == pytest.approx(share, abs=0.17)


@pytest.mark.parametrize("repeat", ["tile", "mirror"])
def test_it_looks_the_same_whatever_its_resolution(tmp_path, repeat):
    """One drawing at two resolutions, both finer than the pixel: the same colours."""
    views = []
    for n in (240, 480):
        x, y = np.meshgrid((np.arange(n) + 0.5) / n, (np.arange(n // 2) + 0.5) / n)
        drawing = 0.4 + 0.3 * np.sin(40 * x * (1 + y)) * np.cos(23 * y)
        path = saved(tmp_path, drawing.astype(np.float32), f"{n}.tif")
        made = OwnPicture(file=str(path), width_mm=2.4, repeat=repeat)
        gx, gy = np.meshgrid(np.linspace(-1, 1, 60), np.linspace(-0.5, 0.5, 30))
        views.append(colours(made, gx, gy, footprint=0.04))
    assert np.ptp(views[0]) > 0.4
    assert views[0] == pytest.approx(views[1], abs=0.012)  # bilinear between texels of 0.01 mm


def test_a_scene_file_finds_its_picture_beside_it_and_says_its_checksum(tmp_path):
    """From whatever folder it is loaded; a plan says the name, not where it lies."""
    path = saved(tmp_path, grain())
    scene = load_scene(written(tmp_path))
    (found,) = own_files(scene)
    assert found == OwnFile(str(path), file_sha256(path))
    plan = plan_to_data(shoot(scene, load_rig("test-rig"), frames=2))
    texture = plan["scene"]["surface"][0]["texture"]
    assert (texture["file"], texture["sha256"]) == ("mine.png", file_sha256(path))
    assert str(tmp_path) not in str(plan)


def test_another_folder_is_the_same_plan_and_another_picture_is_not(tmp_path):
    """What a benchmark resumes by: `plan_to_data` has the content's checksum, no place."""
    plans = []
    for folder, seed in (("one", 2), ("two", 2), ("three", 5)):
        (tmp_path / folder).mkdir()
        saved(tmp_path / folder, grain(seed=seed))
        scene = load_scene(written(tmp_path / folder))
        plans.append(plan_to_data(shoot(scene, load_rig("test-rig"), frames=2)))
    assert plans[0] == plans[1]
    assert plans[0] != plans[2]


def test_a_stack_keeps_its_picture_and_renders_without_the_scene_folder(tmp_path):
    """The copy is one of its files; a changed one is told by name."""
    home = tmp_path / "home"
    home.mkdir()
    path = saved(home, grain())
    plan = shoot(load_scene(written(home)), load_rig("test-rig"), frames=2, crop=(48, 32))
    folder = write_stack(plan, tmp_path / "stack", progress=False)
    kept = f"pictures/{file_sha256(path)[:12]}/mine.png"
    shutil.rmtree(home)
    stack = read_stack(folder)
    assert kept in stack.manifest.files
    assert check_stack(folder) == []
    again = stack.shoot.frame(0)
    assert np.array_equal(again.image, stack.frames[0])
    assert plan_to_data(stack.shoot) == stack.manifest.plan
    saved((folder / kept).parent, grain(seed=9))
    with pytest.raises(StackError, match=r"mine\.png"):
        read_stack(folder)
    with pytest.raises(StackError, match=r"SHA-256 .* allowed the one that the scene was made"):
        _ = read_stack(folder, verify=False).shoot


def test_a_plan_reads_nothing_outside_its_stack(tmp_path):
    """A path in stack.json is taken for a name in the folder."""
    path = saved(tmp_path, grain())
    plan = shoot(load_scene(written(tmp_path)), load_rig("test-rig"), frames=2, crop=(48, 32))
    folder = write_stack(plan, tmp_path / "stack", progress=False)
    stack = read_stack(folder)
    stack.manifest.plan["scene"]["surface"][0]["texture"]["file"] = str(path)
    shutil.rmtree(folder / "pictures")
    with pytest.raises(StackError, match=r"stack/pictures/\w{12}/mine\.png: got 'No such file"):
        _ = stack.shoot


def test_a_told_checksum_holds_the_scene_to_one_content(tmp_path):
    """The same content is taken, another refused."""
    path = saved(tmp_path, grain())
    more = f', sha256 = "{file_sha256(path)}"'
    load_scene(written(tmp_path, more=more))
    saved(tmp_path, grain(seed=3))
    with pytest.raises(DataFileError, match=r"mine\.png: got a file with SHA-256"):
        load_scene(written(tmp_path, more=more))


def test_a_scene_without_a_folder_has_no_pictures_beside_it():
    """Such as a draw of a family."""
    with pytest.raises(DataFileError, match=r"got picture 'mine\.png' in a scene without a folder"):
        scene_of_text(SCENE.format(name="mine.png", more=""), where="a text")


def many_pixels():
    """Return a PNG of zeros that says it has more pixels than are allowed, cheaply."""
    import struct
    import zlib

    def chunk(kind, data):
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    head = struct.pack(">IIBBBBB", 9000, 6000, 8, 0, 0, 0, 0)
    body = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0" * 100)) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


ONE_WIDE = np.zeros((5, 1, 3), np.uint8)
NAN = np.full((4, 4), np.nan, np.float32)
WRONG = {
    "absent": (None, "mine.png", "", r"mine\.png: got 'No such file or directory', allowed"),
    "no picture": (b"hello", "mine.png", "", r"mine\.png cannot be read as a picture"),
    "cut off": (encode_image(grain(), ".png")[:900], "mine.png", "", r"cannot be read as a pic"),
    "suffix": (b"GIF89a", "mine.gif", "", r"mine\.gif .*got suffix '\.gif', allowed one of"),
    "narrow": (encode_image(ONE_WIDE, ".png"), "mine.png", "", r"got 1 x 5 pixels, allowed 2 or"),
    "NaN": (encode_image(NAN, ".tif"), "mine.tif", "", r"got 16 values that are NaN or infinite"),
    "below black": (
        encode_image(np.full((3, 3), -1, np.float32), ".tif"),
        "mine.tif",
        "",
        r"got light of -1, allowed 0 or more",
    ),
    "many": (many_pixels(), "mine.png", "", r"got 6000 x 9000 pixels, 54 million, allowed 50 mil"),
    "repeat": (
        encode_image(grain(), ".png"),
        "mine.png",
        ', repeat = "twice"',
        r"repeat.*'tile' o",
    ),
    "key": (
        encode_image(grain(), ".png"),
        "mine.png",
        ", width = 2",
        r"'surface.*width' is not kn",
    ),
}


@pytest.mark.parametrize("photometric", ["miniswhite", "palette"])
def test_values_that_are_no_light_are_refused(tmp_path, photometric):
    """TIFF 6.0, section 8: 0 counts from white, 3 counts in a table of colours."""
    import tifffile

    more = {"colormap": np.zeros((3, 256), np.uint16)} if photometric == "palette" else {}
    path = tmp_path / "mine.tif"
    tifffile.imwrite(path, np.zeros((8, 8), np.uint8), photometric=photometric, **more)
    with pytest.raises(DataFileError, match=r"mine\.tif got values of meaning [03] "):
        load_scene(written(tmp_path, name="mine.tif"))


def test_a_jpeg_of_printing_inks_is_refused(tmp_path):
    """Its four values are cyan, magenta, yellow and black, not colours with opacity."""
    import PIL.Image

    PIL.Image.fromarray(grain()).convert("CMYK").save(tmp_path / "mine.jpg")
    with pytest.raises(DataFileError, match=r"mine\.jpg got the colours of printing inks"):
        load_scene(written(tmp_path, name="mine.jpg"))


@pytest.mark.parametrize("case", WRONG)
def test_what_is_wrong_is_told_by_scene_key_and_file(tmp_path, case):
    """One sentence: the scene file, the key, the picture, what was got and what is allowed."""
    data, name, more, match = WRONG[case]
    if data is not None:
        (tmp_path / name).write_bytes(data)
    with pytest.raises(DataFileError, match=match) as told:
        load_scene(written(tmp_path, name=name, more=more))
    text = str(told.value)
    assert text.startswith(str(tmp_path / "scene.toml"))
    assert "surface.0.sheet.texture" in text
    assert "allowed" in text


def test_a_width_has_to_be_told_and_be_one_of_this_world(tmp_path):
    """By key."""
    saved(tmp_path, grain())
    text = written(tmp_path).read_text()
    for change, match in (
        ("", r"texture\.picture\.width_mm' is missing"),
        (", width_mm = 0", r"width_mm': got 0, allowed more than 0"),
        (", width_mm = 20000", r"width_mm': got 20000, allowed 1e-06 to 1000 mm"),
    ):
        (tmp_path / "scene.toml").write_text(text.replace(", width_mm = 2.0", change))
        with pytest.raises(DataFileError, match=match):
            load_scene(tmp_path / "scene.toml")
