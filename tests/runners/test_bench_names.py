"""Names in a suite: none of them leads out of the benchmark's folder, and what is wrong is said."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from stacktruth.runners.bench import load_suite
from stacktruth.runners.bench.grid.cells import cells_of
from stacktruth.runners.cli import main
from stacktruth.simulator.data import data_folder
from tests.runners.bench_suites import run

EVIL = {
    "up": "../x",
    "root": "/etc/x",
    "below": "a/b",
    "nul": "a\0b",
    "long": "x" * 5000,
    "dots": "..",
    "line": "a\nb",
    "empty": "",
}
METHOD = """
def merge(frames, info):
    return frames[0]
"""


def write(
    folder: Path, *, name: str = "small", scene: str = "ramp", method: str = "middle-frame"
) -> Path:
    """Write a suite of one cell, with names as they come."""
    path = folder / "small.toml"
    path.write_text(
        f"name = {json.dumps(name)}\nscenes = [{json.dumps(scene)}]\n"
        f"methods = [{json.dumps(method)}]\nframes = 2\ncrop = [768, 512]\nbin = 8\n"
    )
    return path


def refused(suite: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """Run a suite that must be refused with nothing written; return what is said in two lines."""
    place = suite.parent
    before = sorted(place.rglob("*"))
    assert main(["bench", str(suite), "--out", str(place / "out"), "--no-progress"]) == 2
    said = capsys.readouterr().err.strip()
    assert said.startswith("stacktruth: error: ")
    assert len(said.splitlines()) <= 2
    assert len(said) < 1100
    assert sorted(place.rglob("*")) == before
    return said


def shown(text: str) -> str:
    """Return how a message shows what was got; long names are cut."""
    return repr(text)[:20]


@pytest.mark.parametrize("evil", EVIL.values(), ids=EVIL)
class TestRefused:
    """Where a name comes from: the suite, a scene's file, a method's file or program."""

    def test_a_suite_of_an_evil_name_is_refused(
        self, evil: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Its own name."""
        said = refused(write(tmp_path, name=evil), capsys)
        assert f"small.toml: key 'name': got {shown(evil)[:-1]}" in said
        assert "allowed 1 to 100 characters" in said

    def test_a_scene_of_an_evil_name_is_refused(
        self, evil: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """A scene that is asked for."""
        said = refused(write(tmp_path, scene=evil), capsys)
        assert f"unknown scene: got {shown(evil)[:-1]}" in said
        assert "allowed circuit-board, " in said

    def test_an_evil_name_in_a_scene_file_is_refused(
        self, evil: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """A scene's file that calls its scene so."""
        text = (data_folder() / "ramp.toml").read_text()
        (tmp_path / "mine.toml").write_text(f"name = {json.dumps(evil)}\n{text}")
        said = refused(write(tmp_path, scene=str(tmp_path / "mine.toml")), capsys)
        assert f"small: name of a scene: got {shown(evil)[:-1]}" in said
        assert "allowed 1 to 100 characters" in said

    def test_a_method_of_an_evil_name_is_refused(
        self, evil: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """A method that is asked for."""
        said = refused(write(tmp_path, method=evil), capsys)
        assert f"unknown method: got {shown(evil)[:-1]}" in said
        assert "allowed " in said

    def test_a_function_of_an_evil_name_is_refused(
        self, evil: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """A function in a method's file."""
        (tmp_path / "mine.py").write_text(METHOD)
        said = refused(write(tmp_path, method=f"{tmp_path / 'mine.py'}:{evil}"), capsys)
        if evil.isidentifier():  # it could be one, and is too long
            assert "small: name of a method: got 'mine:xxx" in said
        else:
            assert f"mine.py: function: got {shown(evil)[:-1]}" in said
        assert "allowed" in said

    def test_a_method_file_of_an_evil_name_is_refused(
        self, evil: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """A method's file that is not there."""
        said = refused(write(tmp_path, method=f"{tmp_path}/none/{evil}.py:merge"), capsys)
        assert "there is no file" in said

    def test_a_program_of_an_evil_name_is_refused_or_fails(
        self, evil: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """A program's command: what may not be a name is refused, else its cell fails."""
        suite = write(tmp_path, method=f"'{evil}' {{frames}} {{output}}")
        if evil in ("../x", "/etc/x", "a/b"):
            [cell] = cells_of(load_suite(suite))  # named after its file alone
            assert cell.method.name in ("x", "b")
        else:
            said = refused(suite, capsys)
            assert f"got {shown(evil)[:-1]}" in said
            assert "allowed" in said


def test_odd_names_stay_inside(tmp_path: Path) -> None:
    """What is allowed may be odd; all that is written is in the folder, under keys of its own."""
    (tmp_path / "..a ü'b; rm.py").write_text(METHOD)
    text = (data_folder() / "ramp.toml").read_text()
    (tmp_path / "mine.toml").write_text(f'name = "..%2F <b>ö"\n{text}')
    suite = write(
        tmp_path,
        name="...",
        scene=str(tmp_path / "mine.toml"),
        method=f"{tmp_path}/..a ü'b; rm.py:merge",
    )
    before = set(tmp_path.rglob("*"))
    run(suite, tmp_path / "out")
    [cell] = cells_of(load_suite(suite))
    written = {path.relative_to(tmp_path).as_posix() for path in set(tmp_path.rglob("*")) - before}
    # Python's own cache of a module, beside the method's file.
    new = {path for path in written if not path.startswith("__pycache__")}
    files = ("suite.json", "environment.json", "rows.csv", "times.csv")
    made = (f"cells/{cell.key}.json", f"outputs/{cell.key}", f"outputs/{cell.key}/image.tif")
    folders = ("cells", "outputs", "stacks")
    assert new == {"out", *(f"out/{name}" for name in (*files, *made, *folders))}
