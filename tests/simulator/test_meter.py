"""The gain of a scene's light, and the meter that chooses it for a draw of a family."""

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from stacktruth.ground.checksum import sha256
from stacktruth.runners.cli import main
from stacktruth.simulator import Rig, Scene, load_rig, load_scene
from stacktruth.simulator.compositing.levels import level_of
from stacktruth.simulator.compositing.render import render
from stacktruth.simulator.data import DataFileError, load_toml
from stacktruth.simulator.export.export import export_scene
from stacktruth.simulator.family.draw import draw
from stacktruth.simulator.family.family import load_family
from stacktruth.simulator.loading import scenes
from stacktruth.simulator.scene.gloss import Gloss
from stacktruth.simulator.scene.relief.patterned import Globe
from stacktruth.simulator.scene.scene import (
    Balls,
    CameraFlash,
    Fibres,
    Lighting,
    Outline,
    Sheet,
    scene_of_text,
)
from stacktruth.simulator.scene.texture.plain import Flat, Octaves
from stacktruth.simulator.shooting.shoot import shoot
from stacktruth.simulator.view.camera import Camera

FAMILY = """
title = "a bead on a mottled card"
[draw]
size = { uniform = [0.4, 0.8] }
[scene]
rig = "test-rig"
field_mm = [3.84, 2.56]
depth_mm = [-1, 1]
backdrop = [0.01, 0.012, 0.01]
[scene.lighting]
toward = [{ uniform = [-1, 1] }, -0.5, -0.8]
ambient = { uniform = [0.2, 0.5] }
[[scene.surface]]
name = "card"
centre_mm = [0, 0, 0.5]
outline = { kind = "rectangle", size_mm = [3, 2] }
lit = false
[scene.surface.texture]
kind = "octaves"
cell_mm = 0.5
palette = { shade = ["#20301a", "#8aa060"], light = { uniform = [0.3, 1.4] } }
[[scene.surface]]
name = "bead"
centre_mm = [{ uniform = [-1, 1] }, { uniform = [-0.5, 0.5] }, 0]
outline = { kind = "ellipse", size_mm = ["= 1.9 * size", "= 1.9 * size"] }
relief = { kind = "globe", height_mm = "= size", radius_mm = ["= size", "= size"] }
texture = { kind = "octaves", palette = ["#5c1420", "#c84050"], cell_mm = 0.2 }
"""
METER = "[meter]\nwhite = { uniform = [0.6, 0.95] }\n"


@pytest.fixture
def family_file(tmp_path: Path) -> Callable[[str], Path]:
    """Write a family to a file."""

    def write(text: str) -> Path:
        path = tmp_path / "beads.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def all_lights(gain: float) -> Scene:
    """Return a scene in which light comes from all that gives any: lit, unlit, mirrored, behind."""
    flash = CameraFlash(at_mm=(0, -15, 25), size_mm=4)
    return Scene(
        name="lights",
        field_mm=(3.84, 2.56),
        depth_mm=(-1, 1),
        backdrop=(0.05, 0.1, 0.2),
        lighting=Lighting(ambient=0.3, flash=flash, gain=gain),
        surface=(
            Sheet(
                name="unlit",
                centre_mm=(-0.9, 0, 1),
                outline=Outline(kind="rectangle", size_mm=(1.2, 1.8)),
                texture=Octaves(palette=((0.1, 0.1, 0.1), (0.5, 0.4, 0.3)), cell_mm=0.2),
                lit=False,
            ),
            Sheet(
                name="glossy",
                centre_mm=(0.8, 0, 0.6),
                outline=Outline(kind="ellipse", size_mm=(1.1, 1.1)),
                relief=Globe(height_mm=0.6, radius_mm=(0.6, 0.6)),
                texture=Flat(colour=(0.2, 0.1, 0.05)),
                gloss=Gloss(roughness=0.1),
            ),
            Fibres(kind="fibres", name="hair", paths_mm=(((-1, 0.5, 0), (1, 0.4, -0.2)),)),
            Balls(kind="balls", name="drop", at_mm=((0, -0.7, 0),), radius_mm=(0.3,)),
            Balls(
                kind="balls",
                name="water",
                at_mm=((0, 0.2, 0),),
                radius_mm=(0.25,),
                refractive_index=1.33,
            ),
        ),
    )


def picture(scene: Scene, rig: Rig, *, sharp: bool = True, bin: int = 1) -> np.ndarray:
    """Return a scene's light, in focus all over or as the lens has it."""
    camera = Camera(rig, bin=bin)
    return render(scene, camera, focus=() if sharp else (camera,), quality="fast")


@pytest.mark.parametrize("sharp", [True, False])
def test_twice_the_gain_is_twice_the_light(rig: Rig, sharp: bool) -> None:
    """Light adds up: exactly, for a power of two moves no digit of a number (IEEE 754)."""
    one, two = (picture(all_lights(gain), rig, sharp=sharp, bin=8) for gain in (1.0, 2.0))
    assert np.median(one) > 0.04, "there is light behind the surfaces too"
    assert (two == 2 * one).all()


def test_what_is_in_doubt_counts_as_it_will_be_seen() -> None:
    """Errors are multiplied with the light, so the pupil is cut where half as much is in doubt."""
    level = level_of("exact")
    assert level.before(1.0) is level
    doubled = level.before(2.0)
    assert [2 * doubt for doubt, _ in doubled.cuts] == [doubt for doubt, _ in level.cuts]
    assert [cells for _, cells in doubled.cuts] == [cells for _, cells in level.cuts]


def test_another_renderer_is_told_of_the_gain(rig: Rig, tmp_path: Path) -> None:
    """Colours, backdrop and the flash are all twice as bright in an exported file."""
    told = []
    for gain in (1.0, 2.0):
        path = tmp_path / f"{gain:g}.ply"
        mesh = export_scene(all_lights(gain), path, rig=rig, bin=16)
        head = path.read_bytes().partition(b"end_header")[0].decode()
        backdrop = [float(one) for one in re.search(r"backdrop (.+)", head)[1].split()]
        radiance = float(re.search(r"flash .* radiance (\S+)", head)[1])
        told.append((mesh.colours, np.array(backdrop), radiance))
    for one, two in zip(*told, strict=True):
        np.testing.assert_allclose(two, 2 * one, rtol=1e-5)


def test_mirrored_light_is_marked_by_how_bright_it_is_with_the_gain(rig: Rig) -> None:
    """A highlight is bright, whatever makes it so: none is left in a hundredth of the light."""
    marked = []
    for gain in (1.0, 0.01):
        scene = all_lights(gain)
        scene = replace(scene, surface=scene.surface[1:2])
        planned = shoot(scene, rig, stance="stepped", frames=1, bin=8, quality="fast")
        marked.append(bool(planned.truth().mask("gloss").any()))
    assert marked == [True, False]


def encoded_luma(light: np.ndarray) -> np.ndarray:
    """Return luma of sRGB-encoded light: IEC 61966-2-1, with the weights of ITU-R BT.709."""
    held = np.clip(light.astype(np.float64), 0, 1)
    srgb = np.where(held <= 0.0031308, 12.92 * held, 1.055 * held ** (1 / 2.4) - 0.055)
    return srgb @ [0.2126, 0.7152, 0.0722]


def test_draws_are_as_bright_as_their_meter_asks(family_file: Callable[[str], Path]) -> None:
    """Within 2 percent of what was asked, whatever the colours: half a step is 0.7 percent."""
    path = family_file(FAMILY + METER)
    rig = load_rig("test-rig")
    gains, plain = [], []
    for seed in range(4):
        scene = load_scene(f"{path}:{seed}")
        wanted = float(re.search(r"white = (\S+)", _white_of(path, seed))[1])
        got = np.percentile(encoded_luma(picture(scene, rig)), 99.9)
        assert got == pytest.approx(wanted, rel=0.02)
        gains.append(scene.lighting.gain)
        bare = replace(scene, lighting=replace(scene.lighting, gain=1.0))
        plain.append(np.percentile(encoded_luma(picture(bare, rig)), 99.9) / wanted)
    assert max(plain) - min(plain) > 0.1, "without a meter they would differ"
    # To three digits, and whole 24ths of a stop.
    assert all(gain == float(f"{gain:.3g}") for gain in gains)
    np.testing.assert_allclose(24 * np.log2(gains) % 1 % 0.9, 0, atol=0.2)


def _white_of(path: Path, seed: int) -> str:
    """Return what a draw's meter aims at, drawn as a number of a scene would be."""
    return f"white = {scenes.white_of(load_family(path), seed=seed)}"


def test_a_drawn_file_holds_the_gain_itself(
    family_file: Callable[[str], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file is the draw, to be edited; to load it measures nothing."""
    path, out = family_file(FAMILY + METER), tmp_path / "bead.toml"
    assert main(["draw", str(path), "--seed", "3", "--out", str(out)]) == 0
    drawn = load_scene(f"{path}:3")
    assert load_toml(out)["lighting"]["gain"] == drawn.lighting.gain != 1
    monkeypatch.setattr(scenes, "metered_gain", lambda *_, **__: pytest.fail("it measures"))
    assert load_scene(out) == drawn
    assert not drawn.drawn.edited
    text = out.read_text()
    out.write_text(re.sub(r"gain = \S+", "gain = 0.5", text))
    assert load_scene(out).lighting.gain == 0.5
    assert load_scene(out).drawn.edited
    # The draw's gain stands in no way of its other numbers.
    plain = draw(load_family(path), seed=3).splitlines()
    more = [line for line in text.splitlines() if line not in plain]
    assert [line.partition(" ")[0] for line in more] == ["gain", "scene_sha256"]


def test_a_draw_is_metered_once(
    family_file: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A benchmark asks for the same draw many times; a changed family is another draw."""
    metered = []

    def counted(scene: Scene, *, white: float) -> float:
        metered.append((scene.name, white))
        return 1.5

    monkeypatch.setattr(scenes, "metered_gain", counted)
    path = family_file("# one\n" + FAMILY + METER)
    for seed in (1, 1, 2, 1):
        assert load_scene(f"{path}:{seed}").lighting.gain == 1.5
    assert [name for name, _ in metered] == ["beads-1", "beads-2"]
    family_file("# two\n" + FAMILY + METER)
    load_scene(f"{path}:1")
    assert len(metered) == 3


def test_a_family_without_a_meter_keeps_its_draws(family_file: Callable[[str], Path]) -> None:
    """The bytes of a draw are those of the version before meters (their SHA-256, taken there)."""
    path = family_file(FAMILY)
    texts = [draw(load_family(path), seed=seed) for seed in range(5)]
    assert (
        sha256("".join(texts).encode())
        == "d6b9f91196c5d3aa3d7eb16fa51bf671898623ea190f90dee61308ec0f5f639e"
    )
    scene = load_scene(f"{path}:1")
    assert scene == scene_of_text(texts[1], where="")
    assert scene.lighting.gain == 1


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (FAMILY + "[meter]\n", None),
        ("meter = 3\n" + FAMILY, r"meter: got 3, allowed the one key 'white'"),
        (FAMILY + "[meter]\nblack = 0.1\n", r"meter: got \['black'\], allowed the one key 'white'"),
        (FAMILY + METER + "black = 0.1\n", r"got \['black', 'white'\], allowed the one key"),
        (FAMILY + '[meter]\nwhite = "= light"\n', r"meter\.white: got the name 'light', allowed"),
        (
            FAMILY.replace("[scene.lighting]", "[scene.lighting]\ngain = 2") + METER,
            r"scene\.lighting\.gain: got it, allowed without: the meter says it",
        ),
        (
            re.sub(
                r"\[scene.lighting\]\n.*\n.*\n", "lighting = { choice = [{ gain = 2 }] }\n", FAMILY
            ).replace("lighting =", "lighting =")
            + METER,
            r"scene\.lighting: got .*, allowed a plain table: the meter says its gain",
        ),
    ],
)
def test_what_is_wrong_in_a_meter_is_told_when_it_is_loaded(
    family_file: Callable[[str], Path], text: str, message: str | None
) -> None:
    """An error names the file, the key, what was got and what is allowed."""
    path = family_file(text)
    if message is None:
        assert load_family(path).meter == {}
        return
    with pytest.raises(DataFileError, match=rf"beads\.toml: .*{message}"):
        load_family(path)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (METER.replace("{ uniform = [0.6, 0.95] }", "1"), r"meter\.white \(seed 1\): got 1, allow"),
        (METER.replace("{ uniform = [0.6, 0.95] }", '"much"'), "got 'much', allowed 0.05 to 0.99"),
        (METER.replace("{ uniform = [0.6, 0.95] }", "0.04"), "got 0.04, allowed 0.05 to 0.99"),
        (METER, r"beads\.toml:1: meter: got a picture whose brightest parts are at 0 of white"),
    ],
)
def test_what_cannot_be_metered_is_told_with_its_draw(
    family_file: Callable[[str], Path], text: str, message: str
) -> None:
    """An aim that is none, and a scene without light."""
    dark = re.sub('"#[0-9a-f]{6}"', '"#000000"', FAMILY).replace("[0.01, 0.012, 0.01]", "[0, 0, 0]")
    path = family_file((dark if text == METER else FAMILY) + text)
    with pytest.raises(DataFileError, match=message):
        load_scene(f"{path}:1")


@pytest.mark.parametrize("gain", [0, -1, 1001])
def test_a_gain_that_is_none_is_refused(gain: float) -> None:
    """Light is neither taken away nor without end."""
    text = draw(load_family("coin"), seed=1).replace("[lighting]", f"[lighting]\ngain = {gain}")
    with pytest.raises(DataFileError, match=rf"'lighting\.gain': got {gain}, allowed"):
        scene_of_text(text, where="here")
