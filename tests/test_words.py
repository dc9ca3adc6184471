"""One vocabulary: the contributor guide's table of words, and the names of classes."""

import ast
import re
from collections import Counter
from importlib import import_module
from pathlib import Path

import pytest

HOUSE = Path(__file__).resolve().parents[1]
#: One cell of a pupil is still called so by the renderer, beside the cell of a benchmark.
STILL_TWICE = {"Cell"}


def words() -> list[tuple[str, str]]:
    """Return word and class of each row of the table; no class is an empty text."""
    guide = (HOUSE / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = guide.partition("\n## Words\n")[2].partition("\n## ")[0]
    rows = re.findall(r"^\| ([^|]+) \| [^|]+ \| ?([^|]*)\|$", section, re.MULTILINE)
    return [(word, named.strip().strip("`")) for word, named in rows if word != "word"]


def test_the_guide_has_a_table_of_words() -> None:
    """Else the rules below would hold of nothing."""
    assert len(words()) > 30


@pytest.mark.parametrize("name", [named for _, named in words() if named])
def test_each_class_of_the_table_exists(name: str) -> None:
    """The table names module and class as the code does."""
    module, _, found = name.rpartition(".")
    assert isinstance(getattr(import_module(f"stacktruth.{module}"), found), type)


def test_each_word_and_class_is_there_once() -> None:
    """One meaning a word, and one word a class."""
    for column in zip(*words(), strict=True):
        assert [name for name, count in Counter(column).items() if name and count > 1] == []


def public_classes() -> Counter[str]:
    """Return how often each public class is defined at the top of a module of ours."""
    trees = (
        ast.parse(path.read_text(encoding="utf-8"))
        for package in ("ground", "simulator", "metrics", "runners")
        for path in (HOUSE / package).rglob("*.py")
    )
    return Counter(
        node.name
        for tree in trees
        for node in tree.body
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_")
    )


def test_no_two_classes_have_one_name() -> None:
    """A class's name says which thing it is, wherever it is read."""
    found = public_classes()
    assert found["Stack"] == 1
    assert {name for name, count in found.items() if count > 1} <= STILL_TWICE


@pytest.mark.parametrize("page", ["DEVELOPERS.md", "docs/explanation/design_notes.md"])
def test_files_that_the_guide_names_are_there(page: str) -> None:
    """By their names, in whatever room: a walk leads past no file that is gone."""
    guide = (HOUSE / page).read_text(encoding="utf-8")
    named = {Path(name).name for name in re.findall(r"`([\w/]+\.py)`", guide)}
    there = {path.name for path in HOUSE.rglob("*.py")}
    assert named
    assert named <= there


@pytest.mark.parametrize("page", ["DEVELOPERS.md", "docs/explanation/design_notes.md"])
def test_no_paragraph_of_the_guide_is_long(page: str) -> None:
    """At most eighty words: tables, code and steps are no paragraphs, a step is one by itself."""
    text = (HOUSE / page).read_text(encoding="utf-8")
    text = re.sub(r"^```.*?^```$", "", text, flags=re.MULTILINE | re.DOTALL)
    parts = re.split(r"\n\n|\n(?=\d\. |- )", text)
    paragraphs = [part for part in parts if part.strip() and not part.lstrip().startswith("|")]
    assert len(paragraphs) > 20
    assert [part for part in paragraphs if len(part.split()) > 80] == []
