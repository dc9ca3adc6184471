"""Data files: found by name or path, and refused with file, key, value and rule."""

import re
from pathlib import Path

import pytest

from stacktruth.simulator.data import (
    DataFileError,
    data_folder,
    find_data_file,
    list_data_files,
    load_toml,
    validate,
)
from stacktruth.simulator.handling.light import load_light
from stacktruth.simulator.loading.scenes import load_scene
from stacktruth.simulator.rig import Rig, Sensor, load_rig, stopped_to
from stacktruth.simulator.streams import stream

KINDS = ("scene", "rig", "stance", "light", "subject")
LENS = "[lens]\nfocal_length_mm = 50.0\nf_number = 4.0\nmagnification = 1.0\n"
SENSOR = "[sensor]\nwidth_px = 64\nheight_px = 48\npitch_um = 5.0\n"


@pytest.fixture
def file(tmp_path):
    """Write a TOML file and return its path."""

    def write(text: str, name: str = "mine.toml") -> Path:
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.mark.parametrize("kind", KINDS)
def test_every_shipped_file_is_found_by_its_name(kind):
    """Names that are listed are found, and there are some of every kind."""
    names = list_data_files(kind)
    assert names == sorted(names)
    assert len(names) >= 2
    for name in names:
        assert find_data_file(name, kind=kind).stem == name


def test_scenes_stand_in_the_data_folder_itself():
    """A scene is a file of the data folder; other kinds have a folder of their plural."""
    assert find_data_file("ramp", kind="scene").parent == data_folder()
    assert find_data_file("test-rig", kind="rig").parent == data_folder() / "rigs"


def test_a_path_is_taken_as_it_is(file):
    """A path that ends in .toml wins over shipped names, and names the rig after the file."""
    path = file(LENS + SENSOR, "ramp.toml")
    assert find_data_file(path, kind="scene") == path
    assert load_rig(path).name == "ramp"
    assert load_rig(str(path)) == load_rig(path)


def test_unknown_name_lists_what_is_shipped():
    """The message says what was got and every name that is allowed."""
    with pytest.raises(
        DataFileError, match=r"unknown rig: got 'field-9x'.*, allowed .*field-2x.*toml"
    ):
        load_rig("field-9x")


def test_missing_path_is_named():
    """A path that is not there is said to be missing, with its kind."""
    with pytest.raises(DataFileError, match=r"scene file 'nowhere/x.toml' does not exist"):
        load_scene("nowhere/x.toml")


@pytest.mark.parametrize("name", ["../rigs/test-rig", "rigs/test-rig", ""])
def test_a_name_does_not_reach_out_of_its_folder(name):
    """Only bare names are looked up among the shipped files."""
    with pytest.raises(DataFileError, match="unknown scene"):
        load_scene(name)


def test_broken_toml_names_file_and_place(file):
    """A syntax error says in which file and line."""
    path = file("title = \n")
    with pytest.raises(DataFileError, match=re.escape(str(path)) + r": not valid TOML: .*line 1"):
        load_toml(path)


def test_text_in_another_encoding_is_refused(tmp_path):
    """Bytes that are no UTF-8 are an error of the file, not of the program."""
    path = tmp_path / "latin.toml"
    path.write_bytes(b'title = "\xe9"\n')
    with pytest.raises(DataFileError, match=r"latin.toml: not valid TOML"):
        load_toml(path)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (LENS + SENSOR + "colour = 1\n", r"key 'sensor.colour' is not known here"),
        (SENSOR, r"key 'lens' is missing"),
        (
            LENS.replace("4.0", "-4.0") + SENSOR,
            r"key 'lens.f_number': got -4.0, .*allowed more than 0",
        ),
        (LENS.replace("4.0", "inf") + SENSOR, r"key 'lens.f_number': got inf, .*finite"),
        (LENS + SENSOR.replace("64", "'wide'"), r"key 'sensor.width_px': got 'wide'"),
        ("wavelengths_um = [[0.6], [0.5]]\n" + LENS + SENSOR, r"key 'wavelengths_um.*missing"),
        (
            LENS.replace("1.0", "0") + SENSOR.replace("48", "0"),
            r"key .lens.magnification.*\(and 1 more\)",
        ),
    ],
    ids=["unknown key", "missing key", "negative", "infinite", "wrong type", "short", "two"],
)
def test_a_bad_value_is_told_with_file_key_value_and_rule(file, text, message):
    """An error of a value names the file and the key, says what was got and what is allowed."""
    path = file(text)
    with pytest.raises(DataFileError, match=re.escape(str(path)) + ": " + message):
        load_rig(path)


def test_messages_have_one_line(file):
    """However much is wrong, the message is one line."""
    with pytest.raises(DataFileError, match=r"^[^\n]*$"):
        load_rig(file(LENS.replace("4.0", "-4.0") + SENSOR.replace("64", "-1")))


def test_validate_names_the_file_as_a_whole():
    """What concerns no key is laid to the file."""
    with pytest.raises(DataFileError, match=r"here: key 'file': got 3, "):
        validate(Sensor, 3, where="here")


def test_the_same_error_for_every_kind_of_file(file):
    """Scenes, rigs and lights fail alike."""
    path = file("nonsense = 1\n")
    for load in (load_scene, load_rig, load_light):
        with pytest.raises(DataFileError, match=re.escape(str(path)) + ": key"):
            load(path)


def test_a_rig_stopped_down_changes_nothing_else(rig):
    """Only the marked f-number changes."""
    stopped = stopped_to(rig, 11.0)
    assert stopped.lens.f_number == 11.0
    assert stopped_to(stopped, rig.lens.f_number) == rig
    assert isinstance(stopped, Rig)


def test_streams_are_named_and_apart():
    """Each of seed, scene, effect and frame opens a stream of its own; the same names the same."""
    names = [
        (1, "a", "x", 0),
        (2, "a", "x", 0),
        (1, "b", "x", 0),
        (1, "a", "y", 0),
        (1, "a", "x", 1),
    ]
    draws = [tuple(stream(*name).integers(0, 2**63, 4)) for name in names]
    assert len(set(draws)) == len(names)
    assert tuple(stream(*names[0]).integers(0, 2**63, 4)) == draws[0]


@pytest.mark.parametrize(("seed", "frame"), [(-1, 0), (0, -1)])
def test_streams_refuse_negative_numbers(seed, frame):
    """A negative seed or frame is an error, told with both."""
    with pytest.raises(ValueError, match=f"got seed {seed} and frame {frame}"):
        stream(seed, "scene", "effect", frame)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("feild_mm = [4, 3]\n", "key 'feild_mm' is not known here (did you mean 'field_mm'?)"),
        ("[lighting]\nambiant = 0.2\n", "'lighting.ambiant' is not known here (did you mean 'am"),
        ("", "'surface.0.sheet.colour' is not known here (and"),
        (
            "",
            "'surface.0.sheet.texture.octaves.palete' is not known here (did you mean 'palette'?)",
        ),
    ],
)
def test_an_unknown_key_is_answered_by_the_nearest(tmp_path, text, told):
    """At the top, in a table, in one of the kinds of a list and of a table; if one is near."""
    texture = 'kind = "octaves", palette = ["#808080"], cell_mm = 1'
    if "palete" in told:
        texture = texture.replace("palette =", 'palette = ["#000000"], palete =')
    colour = "colour = 3\ncolor2 = 3\n" if "sheet.colour" in told else ""
    path = tmp_path / "mine.toml"
    path.write_text(
        f"field_mm = [4, 3]\ndepth_mm = [-1, 1]\n{text}"
        f'[[surface]]\nname = "card"\n{colour}texture = {{ {texture} }}\n'
    )
    with pytest.raises(DataFileError) as caught:
        load_scene(path)
    assert told in str(caught.value)
