"""One code path: pictures by NumPy and by a namespace that has the array API standard alone.

``array_api_strict`` refuses what the standard does not have, and arrays of NumPy among its own: so
what works with it does not lean on NumPy, as a GPU's arrays must not either.
"""

import sys
from collections.abc import Callable
from dataclasses import fields, replace
from functools import partial
from pathlib import Path as FilePath
from types import SimpleNamespace

import array_api_strict as strict
import numpy as np
import pytest

from stacktruth.ground import arrays
from stacktruth.ground.arrays import freed, to_host
from stacktruth.ground.chunks import TILES_PX
from stacktruth.runners.cli import main
from stacktruth.simulator import Pose, Rig, Scene, load_rig, load_scene, render_view, shoot
from stacktruth.simulator.blur.smear import Path, rolled, smeared
from stacktruth.simulator.compositing import render as rendering
from stacktruth.simulator.compositing.render import render
from stacktruth.simulator.scene.relief.reliefs import height_mm
from stacktruth.simulator.scene.scene import Balls, CameraFlash, Lighting, Outline, Sheet
from stacktruth.simulator.scene.texture.plain import Flat, Octaves
from stacktruth.simulator.scene.texture.textures import sample
from stacktruth.simulator.stack.manifest import plan_from_data, plan_to_data
from stacktruth.simulator.view.camera import Camera, Window

from . import test_reliefs, test_textures

#: Values of a picture, 1 = saturation, may differ by so much.
NEAR = 1e-5
STRICT = "array_api_strict"
#: Scenes that the book shows.
BOOK = FilePath(__file__).resolve().parents[2] / "docs" / "examples"
POSE = Pose(x_mm=0.05, z_mm=0.1, pitch_mrad=2, roll_mrad=1)


def assert_alike(
    of: str | Scene, camera: Camera, *, quality: str = "fast", sharp: bool = False
) -> None:
    """Check that a scene's picture is the same in both namespaces."""
    focus = () if sharp else (camera,)
    scene = load_scene(of) if isinstance(of, str) else of
    draw = partial(render, scene, camera, focus=focus, quality=quality)
    here = draw()
    assert np.ptp(here) > 0.005
    np.testing.assert_allclose(draw(device=STRICT), here, rtol=0, atol=NEAR)


@pytest.mark.parametrize(
    "name",
    [
        "ramp",
        pytest.param("sticky-leaf", marks=pytest.mark.slow),
        "snail-shell",
        "slanted-edges",
        pytest.param("dew:3", marks=pytest.mark.slow),
        pytest.param("wing:3", marks=pytest.mark.slow),
        pytest.param("fungus-gills:3", marks=pytest.mark.slow),
        pytest.param("spider-eyes:3", marks=pytest.mark.slow),
    ],
)
def test_a_fast_picture_is_the_same(name: str, rig: Rig) -> None:
    """Scenes of every kind of part: reliefs, cut sheets, fibres and balls."""
    assert_alike(name, Camera(rig, POSE, 0.2, (96, 64), 2))


@pytest.mark.parametrize("lens", [{"blades": 5}, {"cutoff_radius_mm": 4.0, "cutoff_shift": 0.4}])
def test_a_picture_through_a_pupil_that_is_not_round_is_the_same(lens: dict, rig: Rig) -> None:
    """Polygons and cat's eyes have kernels of their own."""
    shaped = replace(rig, lens=replace(rig.lens, **lens))
    assert_alike("slanted-edges", Camera(shaped, POSE, 0.2, (64, 48)))


def test_a_picture_through_cells_is_the_same(rig: Rig) -> None:
    """Bars before a ground, both blurred: the pupil is cut, and its cells are laid."""
    assert_alike("pickets", Camera(rig, focus_mm=0.5, crop=(48, 32)), quality="true")


@pytest.mark.slow
@pytest.mark.parametrize("name", ["lacewing", "dew-thread"])
def test_a_scene_of_the_book_that_light_comes_through_is_the_same(name: str, rig: Rig) -> None:
    """Wings hold light back by channel; drops are windows to images of their own."""
    assert_alike(str(BOOK / f"{name}.toml"), Camera(rig, POSE, 0.2, (48, 32)), quality="true")


def test_a_picture_of_what_light_comes_through_is_the_same(
    rig: Rig, scene: Callable[..., Scene], sheet: Callable[..., Sheet]
) -> None:
    """A wall, a drop before it whose image is in doubt, and a coloured pane before half of it."""
    wall = sheet(centre_mm=(0, 0, 5), texture=Octaves(palette=("#000000", "#ffffff"), cell_mm=0.6))
    drop = Balls(
        kind="balls", name="drop", at_mm=((0, 0, 0),), radius_mm=(0.3,), refractive_index=1.33
    )
    pane = sheet(
        name="pane",
        centre_mm=(0.6, 0, -0.5),
        outline=Outline(kind="rectangle", size_mm=(1, 9)),
        transmittance=Flat(colour=(0.3, 0.6, 0.9)),
    )
    camera = Camera(rig, POSE, 0.2, (48, 32))
    assert_alike(scene(wall, drop, pane), camera, quality="true")


def test_a_picture_by_a_faulty_lens_is_the_same(rig: Rig) -> None:
    """Aberrations, a curved field, dark corners; and all in focus."""
    lens = replace(
        rig.lens,
        spherical_um=0.3,
        axial_colour_mm=(0.02, 0.0, -0.02),
        field_curvature_per_mm=0.01,
        vignetting_stops=0.7,
    )
    camera = Camera(replace(rig, lens=lens), crop=(48, 32))
    assert_alike("ramp", camera)
    assert_alike("ramp", camera, sharp=True)


@pytest.mark.parametrize("name", test_textures.KINDS)
def test_a_texture_is_the_same(name: str) -> None:
    """Every kind, at a pixel that shows all of it and at one that shows little."""
    x, y = test_textures.grid(20, 30, 0.013, at=(0.4, -0.2))
    for footprint in (0.004, 0.3):
        paint = partial(sample, test_textures.made(name), footprint_mm=footprint, seed=4)
        there = paint(strict.asarray(x), strict.asarray(y))
        np.testing.assert_allclose(to_host(there), paint(x, y), rtol=0, atol=NEAR)


@pytest.mark.parametrize("name", test_reliefs.KINDS)
def test_a_relief_is_the_same(name: str) -> None:
    """Every kind; heights are in mm."""
    x, y = test_textures.grid(20, 30, 0.2, at=(-3.0, -2.0))
    here = height_mm(test_reliefs.made(name), x, y, seed=4)
    there = height_mm(test_reliefs.made(name), strict.asarray(x), strict.asarray(y), seed=4)
    np.testing.assert_allclose(to_host(there), here, rtol=0, atol=NEAR)


def test_smear_and_skew_are_the_same() -> None:
    """A moved picture, and one that moved while it was read row by row."""
    picture = np.random.default_rng(1).random((40, 30, 3)).astype(np.float32)
    path = Path(np.array([[-2.0, 1.0], [0.5, -3.0], [1.5, 2.0]]), np.array([0.2, 0.5, 0.3]))
    for move in (
        partial(smeared, path=path),
        partial(rolled, speed_px_per_s=(90, 40), readout_s=0.1),
    ):
        there = move(strict.asarray(picture))
        assert np.abs(to_host(there) - picture).max() > 0.05
        np.testing.assert_allclose(to_host(there), move(picture), rtol=0, atol=NEAR)


def test_a_frame_is_the_same_but_for_rounding(rig: Rig) -> None:
    """Living parts move during the exposure; the sensor's noise has the same seed."""
    scene = load_scene("ramp")
    plan = shoot(
        scene,
        rig,
        frames=2,
        crop=(48, 32),
        light="steady-lamp",
        subject="light-breeze",
        quality="fast",
        encoding="srgb8",
    )
    there = replace(plan, device=STRICT)
    assert plan._smear(1).subject.rms_px > 0.5
    np.testing.assert_allclose(there.exposure(1), plan.exposure(1), rtol=0, atol=NEAR)
    codes = there.frame(1).image.astype(int) - plan.frame(1).image
    assert (codes != 0).mean() < 1e-2


@pytest.mark.parametrize(
    "name", ["snail-shell", pytest.param("sticky-leaf", marks=pytest.mark.slow)]
)
def test_the_truth_is_the_same(name: str, rig: Rig) -> None:
    """Depth and all that is worked out of it to the last bit, pictures but for rounding."""
    plan = shoot(load_scene(name), rig, frames=3, crop=(96, 64), bin=2, quality="fast")
    here, there = plan.truth(), replace(plan, device=STRICT).truth()
    for field in fields(here):
        own, its = (getattr(one, field.name) for one in (here, there))
        if isinstance(own, np.ndarray):
            near = NEAR if field.name in ("ideal", "achievable") else 0
            np.testing.assert_allclose(its, own, rtol=0, atol=near, err_msg=field.name)


@pytest.mark.parametrize(
    ("flash", "tiles"), [(None, 1), (CameraFlash(at_mm=(0, 0, 40), size_mm=40), 4)]
)
def test_what_the_host_works_out_has_its_tiles(flash, tiles: int, monkeypatch) -> None:
    """What never gets to a device is cut for the host's cores: depths, all under such a flash."""
    monkeypatch.setitem(TILES_PX, STRICT, 4096)
    scene = replace(load_scene("ramp"), lighting=Lighting(flash=flash))
    plan = shoot(scene, load_rig("field-2x"), frames=2, crop=(1600, 1300))
    there = replace(plan, device=STRICT)
    assert (there.tiles, there.layer_tiles("ideal")) == (tiles, tiles)
    assert (plan.tiles, there.layer_tiles("nearest")) == (4, 4)


class Card:
    """Stands in for CuPy on a card of 1000 bytes, of which so many are free."""

    def __init__(self, free: int) -> None:
        self.given_back = 0
        self.cuda = SimpleNamespace(Device=lambda: SimpleNamespace(mem_info=(free, 1000)))
        self.fft = SimpleNamespace(config=SimpleNamespace(clear_plan_cache=lambda: None))

    def get_default_memory_pool(self) -> "Card":
        """Return what its memory is given back to."""
        return self

    def free_all_blocks(self) -> None:
        """Count how often that is done."""
        self.given_back += 1


@pytest.mark.parametrize(("free", "times"), [(500, 0), (100, 1)])
def test_memory_is_given_back_where_others_may_lack_it(free: int, times: int, monkeypatch) -> None:
    """Processes share a card; each keeps what it had for its next picture while there is enough."""
    card = Card(free)
    monkeypatch.setitem(sys.modules, "cupy", card)
    kept = np.ones(3, np.float32)
    arrays.kept(kept, strict)
    freed("cuda", below=1 / 8)
    assert card.given_back == times
    assert bool(arrays._kept) == (times == 0)
    freed("cuda")
    assert card.given_back == times + 1
    assert not arrays._kept


def test_the_device_is_no_part_of_the_plan(rig: Rig) -> None:
    """A stack folder says what was shot; whoever reads it works on what they have."""
    plan = replace(shoot(load_scene("ramp"), rig, frames=2, crop=(48, 32)), device="cuda")
    data = plan_to_data(plan)
    assert "device" not in data
    assert plan_from_data(data).device == "cpu"


@pytest.mark.parametrize("ask", [render_view, partial(shoot, frames=2)])
def test_a_device_that_is_not_there_is_refused(ask, rig: Rig) -> None:
    """Before anything is rendered."""
    with pytest.raises(ValueError, match="device: got 'tpu', allowed cpu, cuda"):
        ask(load_scene("ramp"), rig, crop=(48, 32), device="tpu")


def test_the_command_refuses_a_gpu_that_is_not_there(tmp_path, capsys, monkeypatch) -> None:
    """Status 2, a sentence, and nothing written."""
    monkeypatch.setitem(sys.modules, "cupy", None)
    made = tmp_path / "stack"
    assert (
        main(["render", "ramp", "--rig", "test-rig", "--device", "cuda", "--out", str(made)]) == 2
    )
    assert "device: got 'cuda', allowed cpu" in capsys.readouterr().err
    assert not made.exists()


def limited(most_px: int):
    """Return what draws a tile of row numbers, on a device that holds so many pixels."""

    def draw(tile: Window) -> np.ndarray:
        if tile.shape[0] * tile.shape[1] > most_px:
            raise MemoryError("out of memory")
        rows, cols = tile.centres()
        return rows * 1000 + cols

    return draw


def test_a_tile_that_is_too_large_is_drawn_in_parts() -> None:
    """All of it, in its place."""
    tile = Window(100, 900, -300, 700)
    rows, cols = tile.centres()
    found = rendering._within_memory(limited(150_000), tile, STRICT)
    np.testing.assert_array_equal(found, rows * 1000 + cols)


def test_too_little_memory_for_the_smallest_tile_is_told() -> None:
    """With the device; on the host the error stays what it is."""
    tile = Window(0, 900, 0, 700)
    with pytest.raises(MemoryError, match=r"device: got 'array_api_strict', whose memory .* cpu"):
        rendering._within_memory(limited(1000), tile, STRICT)
    with pytest.raises(MemoryError, match=r"^out of memory$"):
        rendering._within_memory(limited(1000), tile, "cpu")
