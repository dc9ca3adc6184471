"""Numbers of data files lie in physical ranges; what does not is refused with file and key."""

from __future__ import annotations

import io
import re
import warnings
from pathlib import Path

import pytest
from matplotlib.figure import Figure

from stacktruth.runners.bench import load_suite
from stacktruth.runners.figures import plain_text
from stacktruth.simulator.data import DataFileError, data_folder, list_data_files
from stacktruth.simulator.handling.hands import load_stance
from stacktruth.simulator.handling.light import load_light
from stacktruth.simulator.handling.random_motion import LONGEST_S, knots_until
from stacktruth.simulator.handling.sway import load_subject
from stacktruth.simulator.loading.scenes import load_scene
from stacktruth.simulator.ranges import out_of_range
from stacktruth.simulator.rig import load_rig
from stacktruth.simulator.shooting.shoot import shoot

LOADERS = {
    "rigs": load_rig,
    "stances": load_stance,
    "lights": load_light,
    "subjects": load_subject,
    "suites": load_suite,
    "": load_scene,
}
NUMBER = re.compile(r"(?<=[=\[, ])-?\d+(\.\d+)?(e-?\d+)?(?=[,\]\s])")


@pytest.mark.parametrize("folder", LOADERS)
def test_each_number_of_a_shipped_file_has_a_bound(tmp_path: Path, folder: str) -> None:
    """Every one made 1e308 and -1e308, one after the other: refused with file, key and value."""
    [path, *_] = sorted((data_folder() / folder).glob("*.toml"))
    text = path.read_text()
    # What stands in quotes or comments is no number.
    bare = re.sub(r'"[^"\n]*"|#.*', lambda found: "_" * len(found[0]), text)
    tried = 0
    for found in list(NUMBER.finditer(bare))[:5]:
        for huge in ("1e308", "-1e308", "1e-300"):
            copy = tmp_path / "changed.toml"
            copy.write_text(text[: found.start()] + huge + text[found.end() :])
            with pytest.raises(DataFileError, match=r"changed\.toml: .*(key|must|got)") as caught:
                LOADERS[folder](copy)
            assert "\n" not in str(caught.value)
            tried += 1
    assert tried >= 3


@pytest.mark.parametrize(
    ("values", "key"),
    [
        ({"sway_hz": 2e9}, "sway_hz"),
        ({"flash": {"recycle_s": {"nimh": 1e308}}}, "flash.recycle_s.nimh"),
        ({"surface": [{"relief": {"rise_mm": 9e18}}]}, "surface.0.relief.rise_mm"),
        ({"lens": {"focal_length_mm": 1e-12}}, "lens.focal_length_mm"),
        ({"wavelengths_um": [[0.5, 50.0]]}, "wavelengths_um.0.1"),
        ({"seed": 2**65}, "seed"),
        ({"frames": 10**9}, "frames"),
        ({"share": float("nan")}, "share"),
    ],
)
def test_a_number_that_nothing_has_is_found_by_its_key(values: dict, key: str) -> None:
    """Tables within tables take the unit of the key above."""
    found = out_of_range(values)
    assert found is not None
    assert found[0] == key
    assert "(" in str(found[2])  # the reason


def test_what_is_real_is_in_range() -> None:
    """Zero, switches, text, a method's own parameters; and all shipped files load."""
    own = {"parameters": {"anything": 1e300}}
    assert out_of_range({"tremor_um": 0, "on": True, "name": "9e999", **own}) is None
    assert len(list_data_files("rig")) == len([load_rig(n) for n in list_data_files("rig")])


def test_a_pass_or_a_picture_beyond_bounds_is_refused_before_it_starts() -> None:
    """A night long; more frames than any pass has."""
    with pytest.raises(ValueError, match="got a pass of 1e\\+05 s, allowed up to 10800"):
        knots_until(1e5)
    assert knots_until(LONGEST_S) > 0
    with pytest.raises(ValueError, match="frames: got 1000000, allowed 1 to 5000"):
        shoot(load_scene("ramp"), load_rig("field-2x"), frames=1_000_000)


@pytest.mark.parametrize(
    "name", ["$a_{$", "50$ & 60$", "$$", "\\frac", "\u65e5\u672c", "\u0645\u0631", "a_b^c$"]
)
def test_names_are_drawn_as_they_are(name: str) -> None:
    """Dollar signs are no formula, and letters of any script warn of nothing."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with plain_text():
            figure = Figure(layout="constrained")
            axes = figure.subplots()
            axes.plot([1, 2], label=name)
            axes.legend()
            axes.set_title(name)
            figure.savefig(io.BytesIO())
            assert axes.title.get_text() == name
            assert not axes.title.get_parse_math()
