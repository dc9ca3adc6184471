"""Families: scenes drawn by a seed are sound, their own, and the same whenever they are drawn."""

from __future__ import annotations

import math
import re
import subprocess
import sys

import numpy as np
import pytest
from skimage.color import lab2lch, rgb2lab

from stacktruth import load_rig, load_scene, render_view
from stacktruth.ground.checksum import sha256
from stacktruth.runners.cli import main
from stacktruth.simulator.data import DataFileError, find_data_file, list_data_files
from stacktruth.simulator.family import draw as drawing
from stacktruth.simulator.family.draw import draw
from stacktruth.simulator.family.expressions import FUNCTIONS, parsed, value_of
from stacktruth.simulator.family.family import change_since, load_family
from stacktruth.simulator.family.shades import shaded
from stacktruth.simulator.rig import Rig
from stacktruth.simulator.scene.scene import scene_of_text

FAMILIES = list_data_files("family")
SCENE = """
[scene]
field_mm = [4, 3]
depth_mm = [-1, 1]
[[scene.surface]]
name = "card"
"""
CARD = SCENE + 'texture = { kind = "flat", colour = "#808080" }\n'


@pytest.fixture
def family(tmp_path):
    """Load a family from text."""

    def from_text(text):
        path = tmp_path / "made.toml"
        path.write_text(text, encoding="utf-8")
        return load_family(path)

    return from_text


def told(text: str) -> list[str]:
    """Return the lines of a scene that say something of what it shows: no names, no seeds."""
    head = re.compile(r"#|name = \"[\w-]+-\d+\"|seed = \d{3,}|\w+_sha256 =")
    return [line for line in text.splitlines() if not head.match(line)]


def numbers(text: str) -> list[float]:
    """Return the numbers of a scene's own account, in their order."""
    return [float(one) for one in re.findall(r"(?<![\w#\"])-?\d+\.\d+", "\n".join(told(text)))]


def test_there_are_a_dozen_families_and_more():
    """As many as were asked for, each with a title."""
    assert len(FAMILIES) >= 12
    assert all(load_family(name).title and load_family(name).about for name in FAMILIES)


@pytest.mark.parametrize("name", FAMILIES)
def test_draws_are_scenes_and_all_their_own(name):
    """Draws parse, name a rig that is there, and no two say the same of what they show."""
    _hold_apart(name, seeds=(1, 2))


@pytest.mark.slow
@pytest.mark.parametrize("name", FAMILIES)
def test_forty_draws_are_all_their_own(name):
    """The same for forty, of which every tenth is loaded as a scene."""
    _hold_apart(name, seeds=range(40))


def _hold_apart(name, seeds):
    family = load_family(name)
    texts = [draw(family, seed=seed) for seed in seeds]
    for number in range(0, len(texts), 10 if len(texts) > 10 else 1):
        # As they are before their light is metered, which takes seconds.
        scene = scene_of_text(texts[number], where=name, folder=family.path.parent)
        assert scene.name == f"{name}-{list(seeds)[number]}"
        assert load_rig(scene.rig).name == scene.rig
    shown = ["\n".join(told(text)) for text in texts]
    assert len(set(shown)) == len(shown)
    # No twins: in each pair a good part of the numbers differs.
    found = [set(numbers(text)) for text in texts]
    shares = [
        len(one & other) / max(min(len(one), len(other)), 1)
        for k, one in enumerate(found)
        for other in found[:k]
    ]
    assert max(shares) < 0.8


def test_the_same_seed_gives_the_same_bytes_elsewhere_too():
    """Another process, with another hash seed of the interpreter, writes the same text."""
    asked = "import sys; from stacktruth.simulator.family.draw import draw; "
    asked += "from stacktruth.simulator.family.family import change_since, load_family; "
    asked += "sys.stdout.write(draw(load_family('leaf'), seed=7))"
    ran = subprocess.run(
        [sys.executable, "-c", asked],
        capture_output=True,
        text=True,
        check=True,
        env={**_environment(), "PYTHONHASHSEED": "3"},
    )
    assert ran.stdout == draw(load_family("leaf"), seed=7)


def _environment():
    import os

    import stacktruth

    path = os.pathsep.join([str(next(iter(stacktruth.__path__))) + "/..", *sys.path])
    return {**os.environ, "PYTHONPATH": path}


def test_a_key_changed_changes_no_other_draw(family):
    """Each number is that of its own place: one more key before it, and it stays as it was."""
    base = "[draw]\nx = { uniform = [0, 1] }\nz = { uniform = [0, 1] }\n" + CARD
    more = base.replace("[draw]\n", "[draw]\na = { uniform = [0, 1] }\n")
    base += 'centre_mm = ["= x", 0, "= z"]\n'
    more += 'centre_mm = ["= x", "= 0 * a", "= z"]\n'
    texts = [draw(family(text), seed=5) for text in (base, more)]
    assert told(texts[0]) == told(texts[1])


def test_uniform_numbers_are_uniform(family):
    """400 draws: mean and variance of the uniform law within four of their standard errors."""
    made = family(
        CARD + 'outline = { kind = "polygon", points_mm = [{ repeat = 400, item = '
        "[{ uniform = [2, 4] }, { log_uniform = [1, 4] }] }] }\n"
    )
    drawn = draw(made, seed=3).partition("polygon")[2]
    pairs = np.array(re.findall(r"\[(\d\.?\d*), (\d\.?\d*)\]", drawn), float)
    assert len(pairs) == 400
    even, octaves = pairs.T
    assert abs(even.mean() - 3) < 4 * (2 / math.sqrt(12)) / 20
    assert even.var() == pytest.approx(4 / 12, rel=4 * math.sqrt(0.8 / 400))
    assert abs(np.log2(octaves).mean() - 1) < 4 * (2 / math.sqrt(12)) / 20


def test_a_choice_goes_by_its_weights(family):
    """Of 600, about three quarters are the value of weight three; within four deviations."""
    made = family(
        CARD + 'outline = { kind = "polygon", points_mm = [{ repeat = 600, item = '
        "[{ choice = [1, 2], weights = [3, 1] }, { whole = [5, 7] }] }] }\n"
    )
    drawn = draw(made, seed=1).partition("polygon")[2]
    pairs = np.array(re.findall(r"\[(\d), (\d)\]", drawn), int)
    assert len(pairs) == 600
    assert abs(np.mean(pairs[:, 0] == 1) - 0.75) < 4 * math.sqrt(0.75 * 0.25 / 600)
    for number in (5, 6, 7):
        assert abs(np.mean(pairs[:, 1] == number) - 1 / 3) < 4 * math.sqrt(2 / 9 / 600)


def test_copies_have_their_number_and_may_nest(family):
    """Items are put into the list they stand in; the inner number has a name of its own."""
    text = """
[draw]
tips = [{ repeat = 2, item = ["= 10 * i", "= i + 1"] }]
[scene]
field_mm = [4, 3]
depth_mm = [-1, 1]
[[scene.surface]]
repeat = 2
[[scene.surface.items]]
name = "bead {i}"
kind = "balls"
radius_mm = [0.1]
at_mm = [{ repeat = "= tips[i][1]", index = "k", item = ["= tips[i][0] + k", "= -i", 0] }]
[[scene.surface.items]]
name = "card {i}"
texture = { kind = "flat", colour = { shade = "#808080", light = 0 } }
"""
    path = family(text).path
    scene = load_scene(f"{path}:4")
    assert [one.name for one in scene.surface] == ["bead 0", "card 0", "bead 1", "card 1"]
    assert scene.surface[0].at_mm == ((0, 0, 0),)
    assert scene.surface[2].at_mm == ((10, -1, 0), (11, -1, 0))
    assert scene.surface[1].texture.colour == (0, 0, 0)


def test_expressions_are_sums_in_degrees():
    """Held to Python's own arithmetic; angles are degrees."""
    names = {"a": 3, "b": [1, [2, 5]]}
    cases = {
        "1 + 2 * a ** 2 - -a / 4": 1 + 2 * 3**2 + 3 / 4,
        "7 % a": 1,
        "b[1][1] * 2": 10,
        "sin(30) + cos(60)": 1.0,
        "atan2(1, 1)": 45,
        "(a > 2) * 5 + (a == 2)": 5,
        "max(min(a, 2), hypot(3, 4))": 5,
        "floor(2.7) + round(2.7) + sqrt(16) + abs(-1)": 10,
    }
    for text, wanted in cases.items():
        assert value_of(parsed(text), names) == pytest.approx(wanted), text
    assert value_of(parsed("b[1]"), names) == [2, 5]
    assert set(FUNCTIONS) >= {"sin", "cos", "exp", "log"}


def test_shades_turn_hue_and_scale_light_as_cielab_has_it():
    """Held to scikit-image's CIELAB: the hue turns by the angle, chroma by its factor."""
    for colour in ("#4d7634", "#9a5424", "#3c6480"):
        rgb = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
        got = shaded(colour, light=1.0, chroma=0.8, hue_deg=25)
        out = np.array([int(got[k : k + 2], 16) for k in (1, 3, 5)]) / 255
        (l0, c0, h0), (l1, c1, h1) = (lab2lch(rgb2lab(v[None, None]))[0, 0] for v in (rgb, out))
        assert l1 == pytest.approx(l0, abs=0.4)
        assert c1 == pytest.approx(0.8 * c0, abs=0.6)
        assert math.degrees(h1 - h0) == pytest.approx(25, abs=2)
    assert shaded("#404040", light=2.0, chroma=1, hue_deg=0) == "#5a5a5a"  # IEC 61966-2-1
    grey = shaded("#c08040", light=1.0, chroma=0, hue_deg=0)
    levels = [int(grey[k : k + 2], 16) for k in (1, 3, 5)]
    assert max(levels) - min(levels) <= 1


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[draw]\nx = { uniform = [0, 1] }\n" + CARD, r"draw\.x: got a draw that is never used"),
        (CARD + 'rotate_deg = "= turn"\n', r"surface\.0\.rotate_deg: got the name 'turn'"),
        (CARD + 'rotate_deg = "= __import__(1)"\n', "got '__import__\\(1\\)', allowed numbers"),
        (CARD + 'rotate_deg = "= (1).real"\n', "allowed numbers, names"),
        (CARD + 'rotate_deg = "= 1 +"\n', r"got '1 \+', allowed"),
        (CARD + "rotate_deg = { uniform = [0, 1], weights = 2 }\n", "got key 'weights', allowed"),
        (CARD.replace("[scene]", "[scenes]"), "got key 'scenes', allowed title, about, draw"),
        (CARD.replace("[scene]", '[scene]\nname = "x"'), "scene.name: got it, allowed without"),
        ("[draw]\nX = 1\n" + CARD, "got the name 'X', allowed small letters"),
        (CARD + "rotate_deg = { repeat = 2 }\n", "allowed one 'item' or a list 'items'"),
        ("scene = 3\n", "scene: got 3, allowed a table"),
        ('title = "unclosed\n', "not valid TOML"),
    ],
)
def test_what_is_wrong_in_a_family_is_told_when_it_is_loaded(family, text, message):
    """An error names the file, the key, what was got and what is allowed, on one line."""
    with pytest.raises(DataFileError, match=rf"made\.toml: .*{message}") as caught:
        family(text)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("rotate_deg = { uniform = [2, 1] }", r"got \[2, 1\], allowed \[least, most\]"),
        ("rotate_deg = { uniform = 3 }", r"got 3, allowed \[least, most\]"),
        ("rotate_deg = { log_uniform = [0, 1] }", "log_uniform: got 0, allowed numbers > 0"),
        ("seed = { whole = [0, 1.5] }", r"whole: got \[0, 1.5\], allowed whole numbers"),
        ("rotate_deg = { choice = [] }", r"choice: got \[\], allowed a list"),
        ("rotate_deg = { choice = [1, 2], weights = [1] }", r"weights: got \[1\], allowed 2"),
        ("rotate_deg = { choice = [1, 2], weights = [0, 0] }", "allowed from 0, not all 0"),
        ('rotate_deg = "= 1 / 0"', "cannot work out '1 / 0'"),
        ('rotate_deg = "= exp(9999)"', "cannot work out"),
        ('rotate_deg = "= log(0)"', "cannot work out"),
        (
            'seed = { repeat = "= exp(700) * exp(700)", item = 1 }',
            "repeat: got inf, allowed a whole",
        ),
        ("seed = { repeat = 1.5, item = 1 }", "repeat: got 1.5, allowed a whole number"),
        (
            "seed = { repeat = 99999, item = 1 }",
            "repeat: got 99999, allowed a whole number from 0 to 20000",
        ),
        ('name = { shade = "red" }', "shade: got 'red', allowed '#rrggbb'"),
        ('name = { shade = "#123456", light = -1 }', "light -1, .* light and chroma from 0"),
    ],
)
def test_what_cannot_be_drawn_is_told_with_key_and_seed(family, line, message):
    """Only the draw finds it; the error names file, key and seed."""
    key = line.partition(" ")[0]
    text = CARD.replace('name = "card"', line) if key == "name" else CARD + line + "\n"
    with pytest.raises(DataFileError, match=rf"made\.toml: scene\.surface\..*{key}.*{message}"):
        draw(family(text), seed=1)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("leav:3", r"unknown family: got 'leav' \(did you mean 'leaf'\?\)"),
        ("leaf:", "got seed '', allowed a whole number from 0"),
        ("leaf:-1", "got seed '-1', allowed"),
        ("leaf:1.5", "got seed '1.5', allowed"),
        ("leaf:99999999999999999999", "allowed a whole number from 0 to"),
        ("leef", "or a .toml path, or FAMILY:SEED"),
        ("nowhere.toml:1", "family file 'nowhere.toml' does not exist"),
    ],
)
def test_a_wrong_draw_is_refused_by_its_name(name, message):
    """Family and seed are told apart, and each error says what is allowed."""
    with pytest.raises(DataFileError, match=message):
        load_scene(name)


def test_a_scene_that_is_none_names_family_and_seed(family):
    """What the scene language refuses is told as of any scene, with the family's file."""
    path = family(CARD + "gloss = { uniform = [0, 1] }\n").path
    with pytest.raises(DataFileError, match=r"made\.toml:3: key 'surface\.0\.sheet\.gloss'"):
        load_scene(f"{path}:3")


def test_a_drawn_file_is_the_draw_and_may_be_edited(tmp_path, capsys):
    """The written scene equals FAMILY:SEED; a word changed marks it, a changed layout does not."""
    path = tmp_path / "drawn.toml"
    assert main(["draw", "crystals", "--seed", "7", "--out", str(path)]) == 0
    assert "crystals-7" in capsys.readouterr().out
    assert load_scene(path) == load_scene("crystals:7")
    text = path.read_text()
    path.write_text(text.replace("\n\n", "\n\n\n# mine\n"))
    assert not load_scene(path).drawn.edited
    path.write_text(text.replace("field_mm = [11.7", "field_mm = [11.6"))
    assert load_scene(path).drawn.edited
    assert "edited since" in str(load_scene(path).drawn)
    assert main(["draw", "crystals", "--out", str(path)]) == 2


def test_a_stack_tells_of_a_family_that_has_changed(tmp_path, monkeypatch, capsys):
    """The stamp holds the checksums of family and scene; the check of the stack compares."""
    out = str(tmp_path / "st")
    words = ["targets:1", "--rig", "test-rig", "--crop", "48x32", "--frames", "2"]
    words += ["--workers", "1"]
    assert main(["render", *words, "--quality", "fast", "--no-progress", "--out", out]) == 0
    assert main(["check-stack", out]) == 0
    said = capsys.readouterr().out
    assert "scene targets-1: drawn from the family targets with seed 1\n" in said
    family = load_family("targets")
    changed = tmp_path / "data"
    (changed / "families").mkdir(parents=True)
    (changed / "families" / "targets.toml").write_bytes(family.path.read_bytes() + b"\n")
    monkeypatch.setattr("stacktruth.simulator.data._DATA", changed)
    assert main(["check-stack", out]) == 0
    assert "the family targets has changed since" in capsys.readouterr().out


#: SHA-256 of the families that the published rows of the suite `standard` were drawn from.
EARLIER_SHA256 = {
    "arthropod-head": "c68caa551bd8d9af29b34a6a8e2fbb3f5dd643ebfbb0d523377fc1e9cfed51b4",
    "coin": "8a845e1ed8128792a1d3fef7308ea02cf73ac6e58f8fa84e48d122b26f5ff667",
    "flower": "19bc9936b33cb68a54e50641aa21f3ec054f2a74c746b8f453a9ea9149c7f590",
    "fungus-gills": "524083fad3d095fbbfece22cf8b9927bab3a637cb34a456f2eb133c2aded2828",
    "leaf": "202096b1440d782f8624ed367cca6a478fc34cc90e2bdb5f4ab9d23813c90f00",
    "moss-and-lichen": "49aa2f4c02d792626a398fc342c303cb3c0d97393376374533078cc7272c7aab",
    "petal-edge": "de8dd06e3ac56de60105fab22b76439c08c2b8cc2dd2d5d17030184a40d560b8",
    "shell": "d3158d9f4f70a8b1ee0edccd33bb6427521285d5c530fcd9b68c8feb6f941cdb",
    "wing": "42f84c8487725edd4f6f2e3b404041e661215b0524e81b0fe804cc78d2110b3c",
}


@pytest.mark.parametrize("name", sorted(EARLIER_SHA256))
def test_an_earlier_family_stays_as_it_was(name):
    """What published studies are drawn from: no byte changes, and another family has its name."""
    held = sha256(find_data_file(f"earlier/{name}", kind="family").read_bytes())
    assert held == EARLIER_SHA256[name]
    assert held != sha256(find_data_file(name, kind="family").read_bytes())
    assert load_scene(f"earlier/{name}:3").name == f"{name}-3"


def test_a_stack_of_an_earlier_family_says_where_that_is():
    """And that the family of its name is another one by now."""
    drawn = load_scene("earlier/coin:2").drawn
    told_of = change_since(drawn.family, drawn.family_sha256)
    assert told_of == "the family coin has changed since; earlier/coin is as it was"
    assert change_since("targets", load_scene("targets:1").drawn.family_sha256) == ""


@pytest.mark.parametrize("name", ["earlier/targets", "before/coin", "earlier/../coin", "./coin"])
def test_no_other_folder_is_looked_in(name):
    """A name is no path."""
    with pytest.raises(DataFileError, match="unknown family: got"):
        load_family(name)


def test_seeds_of_the_detail_differ_by_draw_and_family():
    """Noise and hairs are drawn anew in each scene, by a seed of its own."""
    seeds = [load_scene(f"{name}:{seed}").seed for name in ("coin", "targets") for seed in (1, 2)]
    assert len(set(seeds)) == 4
    assert drawing.draw(load_family("coin"), seed=2) != drawing.draw(load_family("coin"), seed=1)


def small(rig: Rig, across: int) -> int:
    """Return how many real pixels make one of a picture so wide."""
    return rig.sensor.width_px // across


def seen(name: str) -> np.ndarray:
    """Render a draw as one frame, 60 x 40 pixels."""
    scene = load_scene(name)
    rig = load_rig(scene.rig)
    return render_view(scene, rig, bin=small(rig, 60), quality="fast")


def test_a_draw_is_rendered():
    """A picture of finite light with detail in it."""
    light = seen("targets:1")
    assert light.shape == (40, 60, 3)
    assert np.isfinite(light).all()
    assert light.std() > 0.01


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name in FAMILIES if name not in ("spider-eyes",)])
def test_draws_are_rendered_and_no_twins(name):
    """Two draws of each family: exposed, and unlike each other beyond a change of light."""
    one, other = (seen(f"{name}:{seed}").mean(axis=2).ravel() for seed in (11, 12))
    for light in (one, other):
        assert np.isfinite(light).all()
        assert 0.05 < np.percentile(light, 99) < 1.5
    assert abs(np.corrcoef(one, other)[0, 1]) < 0.9
