"""Broken files: read, or refused in one sentence that says where; no traceback, hang or flood."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stacktruth.ground.json_text import JsonError, parse_json
from stacktruth.ground.text import plain_line
from stacktruth.ground.toml import TomlError, parse_toml
from stacktruth.runners.contract import Outcome
from stacktruth.runners.csv_text import as_meant, harmless
from tests.robustness.fuzz import case
from tests.robustness.try_cases import tried

FEW, MANY = 300, 2500
#: Beyond those, what went wrong once: a colour of thousands of letters came back whole, a format of
#: frames that is none, a hue turned without end.
FOUND = (5329, 16593, 18817)


def defects(numbers: Sequence[int], folder: Path) -> list[str]:
    """Return all defects, each with what it is about."""
    found = [one for one in tried(numbers, folder) if one.wrong]
    return [f"{one.number}: {case(one.number).what}: {one.wrong}" for one in found]


def test_broken_files_are_read_or_refused_in_a_sentence(tmp_path: Path) -> None:
    """Three hundred and those found later, each in limits of 30 s and 2 GB."""
    assert defects([*range(FEW), *FOUND], tmp_path) == []


@pytest.mark.slow
def test_many_broken_files(tmp_path: Path) -> None:
    """Two and a half thousand more."""
    assert defects(range(FEW, FEW + MANY), tmp_path) == []


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.text(st.characters(), max_size=900))
def test_any_text_becomes_a_plain_line(text: str) -> None:
    """Printable, bounded, encodable in UTF-8; a plain line stays as it is."""
    line = plain_line(text)
    assert line.isprintable()
    assert len(line) <= 500
    assert line.encode("utf-8").decode() == line
    assert plain_line(line) == line
    assert Outcome(status="failed", reason=text).reason == line


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.text(max_size=30))
def test_any_cell_is_read_back_as_it_was(text: str) -> None:
    """And begins with nothing that a spreadsheet runs."""
    assert as_meant(harmless(text)) == text
    assert not harmless(text).startswith(("=", "+", "-", "@"))


_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=20,
)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(_VALUES)
def test_json_of_ours_is_read_as_by_the_standard_library(value: object) -> None:
    """Bounds refuse nothing that is meant well: the reference is Python's own reader."""
    text = json.dumps(value)
    if "Infinity" not in text:
        assert parse_json(text.encode()) == json.loads(text)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[" * 100_000, "nested"),
        ('{"a":' * 100 + "1" + "}" * 100, "nested"),
        ("9" * 500, "digits"),
        ('{"a": 1, "a": 2}', "twice"),
        ("NaN", "NaN"),
        ("\ud800", "UTF-8"),
        ("", "not JSON"),
    ],
)
def test_json_beyond_bounds_is_refused(text: str, says: str) -> None:
    """Depth, digits, keys that are there twice, what is no JSON at all."""
    with pytest.raises(JsonError, match=says):
        parse_json(text.encode("utf-8", "surrogatepass"))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("a = " + "[" * 2000 + "]" * 2000, "nested"),
        ("a = " + "{b = " * 2000, "nested"),
        (".".join("a" * 3000) + " = 1", "parts"),
        ("[" + ".".join("a" * 3000) + "]", "parts"),
        ("a = " + "9" * 5000, "digits"),
        ("a = 0." + "9" * 5000, "digits"),
        ("a = 0x" + "f" * 5000, "digits"),
        ("x" * 17_000_000, "MB"),
    ],
)
def test_toml_beyond_bounds_is_refused(text: str, says: str) -> None:
    """Depth, digits, length."""
    with pytest.raises(TomlError, match=says):
        parse_toml(text.encode())


def test_brackets_and_digits_in_text_are_no_depth() -> None:
    """What stands in quotes and comments nests nothing."""
    deep, long = "[" * 500, "9" * 1000
    text = f"a = \"{deep}\"\nb = '{long}' # {deep}\nc = '''\n{deep}'''\nd = \"\"\"{long}\"\"\"\n"
    assert parse_toml(text.encode())["a"] == deep
    assert parse_json(json.dumps([deep, long, '"\\"' + deep]).encode())[0] == deep
