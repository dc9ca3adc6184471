"""The tutorials of the book do what they say: their files are written, their commands are run."""

import re
import shlex
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

DOCS = Path(__file__).resolve().parents[1] / "docs"
TUTORIALS = DOCS / "tutorials"
#: Pages of the how-to that make what they show, as tutorials do.
HOW_TO = ("pictures_of_mine", "meshes_of_mine")
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
PROGRAMS = {"stacktruth": ["-m", "stacktruth.runners.cli"], "python": []}
NUMBER = re.compile(r"-?\d+(\.\d+)?")


@dataclass
class Reader:
    """Someone who follows a tutorial in an empty folder, and remembers the last output."""

    folder: Path
    output: str = ""

    def follow(self, kind: str, text: str) -> None:
        """Write a file, run commands, or compare what is shown with what was printed."""
        if kind in ("python", "toml"):
            name = text.partition("\n")[0].removeprefix("# ")
            (self.folder / name).write_text(text)
        elif kind == "console":
            for line in text.splitlines():
                self.run(line.removeprefix("$ "))
        else:
            assert kind == "text"
            for line in text.splitlines():
                assert any(shows(line, told) for told in self.output.splitlines()), (
                    f"shown: {line}\nprinted:\n{self.output}"
                )

    def run(self, line: str) -> None:
        """Run a command in a process of its own."""
        program, *rest = shlex.split(line)
        asked = [sys.executable, *PROGRAMS[program], *rest]
        ran = subprocess.run(asked, cwd=self.folder, capture_output=True, text=True, check=False)
        assert ran.returncode == 0, f"{line}\n{ran.stderr}"
        self.output = ran.stdout


def shows(line: str, told: str) -> bool:
    """Say whether a printed line begins as a shown one, its numbers nearly the same."""
    wanted, printed = line.split(), told.split()
    pairs = zip(wanted, printed, strict=False)
    return len(wanted) <= len(printed) and all(alike(*pair) for pair in pairs)


def alike(wanted: str, printed: str) -> bool:
    """Compare two words: numbers may differ by two units of the last digit shown."""
    if not (NUMBER.fullmatch(wanted) and NUMBER.fullmatch(printed)):
        return wanted == printed
    digits = len(wanted.partition(".")[2])
    return abs(float(wanted) - float(printed)) <= 2.5 * 10.0**-digits


def test_numbers_that_differ_are_seen():
    """Another word, a shorter line and another number are none of what was shown."""
    assert shows("mean 25.24 ok", "mean   25.26 ok 3")
    assert not shows("mean 25.24", "mean 25.30")
    assert not shows("mean 25.24", "median 25.24")
    assert not shows("mean 25.24 ok", "mean 25.24")


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(path.stem for path in TUTORIALS.glob("*.md")))
def test_a_tutorial_does_what_it_says(name, tmp_path):
    """From the first block to the last, in order."""
    follow(TUTORIALS / f"{name}.md", tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("name", HOW_TO)
def test_a_how_to_does_what_it_says(name, tmp_path):
    """As a tutorial, and each picture that it names is there."""
    follow(DOCS / "howto" / f"{name}.md", tmp_path)
    assert list(tmp_path.glob("*.png"))


def follow(page, folder):
    """Do what a page says in an empty folder."""
    reader = Reader(folder)
    blocks = BLOCK.findall(page.read_text(encoding="utf-8"))
    assert {kind for kind, _ in blocks} >= {"console", "text"}
    for kind, text in blocks:
        reader.follow(kind, text)
