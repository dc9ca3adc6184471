"""Which method made a row: labels, versions of all that it loaded, and what is run again."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stacktruth.runners.bench import bench, load_suite
from stacktruth.runners.bench.grid.cells import cells_of
from stacktruth.runners.cli import main
from stacktruth.runners.isolate.external import ProgramError
from stacktruth.runners.isolate.identity import changed
from stacktruth.runners.isolate.method import UnknownMethodError, find_method
from stacktruth.runners.isolate.methods_file import load_methods
from stacktruth.runners.isolate.run import run_method
from stacktruth.runners.request import RequestError
from tests.runners.bench_suites import write_suite

FRAMES = [np.full((8, 10, 3), 1000 * i, np.uint16) for i in range(1, 4)]
INFO = {
    "frames": [{"file": f"{i:04d}.tif", "order": i} for i in range(3)],
    "height_px": 8,
    "width_px": 10,
    "encoding": "srgb",
    "bits": 16,
}
NUMBERED = (
    "def merge(frames, info, which={}):\n"
    "    return {{'image': frames[which], 'reference': which}}\n"
)
TABLE = '[[methods]]\nlabel = "m"\nspec = "meth.py:merge"'
#: A program that gives the frame that it is told by its third argument.
PICK = "import shutil, sys; shutil.copy(sys.argv[2:][{}], sys.argv[1])\n"


def plug_in(folder: Path, text: str, name: str = "meth") -> str:
    """Write a plug-in with a function `merge`; return its spec."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{name}.py").write_text(text)
    return f"{folder / name}.py:merge"


def ran(suite: Path, out: Path) -> tuple[pd.DataFrame, str]:
    """Run a suite; return its rows by method, and what was said."""
    said: list[str] = []
    rows = bench(load_suite(suite), out, progress=False, say=said.append)
    return rows.set_index("method"), " ".join(said)


class TestLabels:
    """No two methods under one name."""

    def test_two_plug_ins_of_one_name_are_refused(self, tmp_path) -> None:
        """Both are named, and what to do."""
        methods = [plug_in(tmp_path / name, NUMBERED.format(i)) for i, name in enumerate("ab")]
        suite = write_suite(tmp_path, scenes=["ramp"], methods=methods)
        with pytest.raises(RequestError, match=r"label 'meth:merge': got two methods.*a/meth.py"):
            bench(load_suite(suite), tmp_path / "out", progress=False)
        assert not (tmp_path / "out").exists()

    def test_two_scripts_of_one_interpreter_have_two_names(self, tmp_path) -> None:
        """They are called by their scripts."""
        found = []
        for name in ("one.py", "two.py"):
            (tmp_path / name).write_text(PICK.format(0))
            line = f"{sys.executable} {tmp_path / name} {{output}} {{frames}}"
            found.append(find_method(line).name)
        python = Path(sys.executable).name
        assert found == [f"{python} one.py", f"{python} two.py"]

    def test_two_scripts_of_one_name_are_refused(self, tmp_path, capsys) -> None:
        """By ``score``, too, before anything is done."""
        words = []
        for name in ("a", "b"):
            (tmp_path / name).mkdir()
            (tmp_path / name / "run.py").write_text(PICK.format(0) + f"# {name}\n")
            script = tmp_path / name / "run.py"
            words += ["--method", f"{sys.executable} {script} {{output}} {{frames}}"]
        assert main(["score", str(tmp_path / "no-stack"), *words]) == 2
        assert "run.py': got two methods" in capsys.readouterr().err

    def test_labels_tell_two_plug_ins_apart(self, tmp_path) -> None:
        """Each has its own row, of its own frame; paths are relative to the suite's folder."""
        for i, name in enumerate("ab"):
            plug_in(tmp_path / name, NUMBERED.format(i))
        suite = write_suite(tmp_path, scenes=["ramp"], methods=[])
        tables = "".join(
            f'\n[[methods]]\nlabel = "first {name}"\nspec = "{name}/meth.py:merge"' for name in "ab"
        )
        suite.write_text(suite.read_text().replace("methods = []\n", "") + tables)
        rows, _ = ran(suite, tmp_path / "out")
        assert list(rows.index) == ["first a", "first b"]
        assert set(rows["status"]) == {"ok"}
        assert rows["image_sha256"].nunique() == rows["version"].nunique() == 2


class TestTables:
    """``[[methods]]`` in a file of its own."""

    def test_parameters_reach_a_function_as_keyword_arguments(self, tmp_path) -> None:
        """The same file under two labels gives two results and two versions."""
        plug_in(tmp_path, NUMBERED.format(0))
        (tmp_path / "m.toml").write_text(
            '[[methods]]\nlabel = "one"\nspec = "meth.py:merge"\nparameters = { which = 1 }\n'
            '[[methods]]\nlabel = "two"\nspec = "meth.py:merge"\nparameters = { which = 2 }\n'
        )
        one, two = load_methods(tmp_path / "m.toml").values()
        assert one.version != two.version
        for method, frame in ((one, 1), (two, 2)):
            outcome = run_method(method, FRAMES, INFO)
            assert outcome.status == "ok", outcome.reason
            np.testing.assert_array_equal(outcome.result.image, FRAMES[frame])

    def test_a_function_has_the_environment_that_its_table_names(
        self, tmp_path, monkeypatch
    ) -> None:
        """Taken over or given, and nothing else of ours; another value is another version."""
        plug_in(
            tmp_path,
            "import os\ndef merge(frames, info):\n"
            "    assert 'SECRET' not in os.environ and os.environ['GIVEN'] == 'z'\n"
            "    return frames[int(os.environ['TAKEN'])]\n",
        )
        (tmp_path / "m.toml").write_text(
            '[[methods]]\nlabel = "e"\nspec = "meth.py:merge"\nenvironment = ["TAKEN", "GIVEN=z"]\n'
        )
        monkeypatch.setenv("SECRET", "s")
        versions = set()
        for value in (1, 2):
            monkeypatch.setenv("TAKEN", str(value))
            method = load_methods(tmp_path / "m.toml")["e"]
            outcome = run_method(method, FRAMES, INFO)
            assert outcome.status == "ok", outcome.reason
            np.testing.assert_array_equal(outcome.result.image, FRAMES[value])
            versions.add(outcome.version)
        assert len(versions) == 2

    def test_a_program_of_a_table_has_its_script_beside_the_file(self, tmp_path) -> None:
        """A word of the command that names a file there is found from anywhere."""
        (tmp_path / "pick.py").write_text(PICK.format(2))
        command = [sys.executable, "pick.py", "{output}", "{frames}"]
        (tmp_path / "m.toml").write_text(
            '[[methods]]\nlabel = "p"\n'
            f'program = {{ command = {command}, image_format = "tiff8" }}\n'
        )
        outcome = run_method(load_methods(tmp_path / "m.toml")["p"], FRAMES, INFO)
        assert outcome.status == "ok", outcome.reason
        assert outcome.result.image.dtype == np.uint8
        assert "pick.py" in outcome.covers
        assert "not known: what the program loads" in outcome.covers

    @pytest.mark.parametrize(
        ("text", "message"),
        [
            ('label = "a"', "either 'spec' or 'program'"),
            ('spec = "mean"', "label"),
            ('label = "a"\nspec = "mean"\nparameters = { x = 1 }', "parameters: .* built in"),
            ('label = "a"\nspec = "no/such.py:f"', "there is no file"),
            ('label = "a"\nspec = "mean"\ncolour = 1', "colour"),
            ('label = "a"\nspec = "meth.py:merge"\nfiles = ["no.bin"]', "there is no .*no.bin"),
            ('label = "a"\nprogram = { command = ["x"] }', "takes no frames"),
            (
                'label = "a"\nspec = "mean"\n[[methods]]\nlabel = "a"\nspec = "oracle"',
                "twice, allowed once",
            ),
        ],
    )
    def test_a_wrong_table_is_refused(self, tmp_path, text, message) -> None:
        """File and key are named."""
        plug_in(tmp_path, NUMBERED.format(0))
        (tmp_path / "m.toml").write_text(f"[[methods]]\n{text}\n")
        with pytest.raises((UnknownMethodError, ProgramError), match=message) as caught:
            load_methods(tmp_path / "m.toml")
        assert "m.toml" in str(caught.value)


class TestVersions:
    """What a version is the checksum of."""

    def test_imports_and_opened_files_and_packages_count(self, tmp_path) -> None:
        """A helper, one imported late, weights read by Python, the version of NumPy."""
        (tmp_path / "helper.py").write_text("ONE = 1\n")
        (tmp_path / "late.py").write_text("TWO = 2\n")
        np.save(tmp_path / "weights.npy", np.ones(3))
        spec = plug_in(
            tmp_path,
            "from pathlib import Path\nimport numpy as np\nimport helper\n"
            "def merge(frames, info):\n    import late\n"
            "    np.load(Path(__file__).parent / 'weights.npy')\n    return frames[0]\n",
        )
        outcome = run_method(spec, FRAMES, INFO)
        assert outcome.status == "ok", outcome.reason
        loaded = dict(outcome.loaded)
        names = {Path(name).name for name in loaded if not name.startswith("package ")}
        assert names == {"meth.py", "helper.py", "late.py", "weights.npy"}
        assert loaded["package numpy"] == np.__version__
        assert f"numpy {np.__version__}" in outcome.covers
        assert not changed(loaded)
        (tmp_path / "late.py").write_text("TWO = 3\n")
        assert changed(loaded)
        assert changed({"package numpy": "0.1"})

    def test_what_a_method_loaded_is_known_however_it_ended(self, tmp_path) -> None:
        """After an error and after a crash."""
        (tmp_path / "helper.py").write_text("ONE = 1\n")
        for body in ("raise ValueError", "import ctypes; ctypes.string_at(0)"):
            spec = plug_in(tmp_path, f"import helper\ndef merge(frames, info):\n    {body}\n")
            outcome = run_method(spec, FRAMES, INFO)
            assert outcome.status == "failed"
            assert str(tmp_path / "helper.py") in dict(outcome.loaded)

    def test_a_version_does_not_hang_on_the_place(self, tmp_path) -> None:
        """The same files in another folder have the same version; another helper has not."""
        versions = []
        for name, number in (("a", 1), ("b", 1), ("c", 2)):
            spec = plug_in(tmp_path / name, "import helper\n" + NUMBERED.format(0))
            (tmp_path / name / "helper.py").write_text(f"ONE = {number}\n")
            versions.append(run_method(spec, FRAMES, INFO).version)
        assert versions[0] == versions[1] != versions[2]

    def test_a_declared_file_counts_before_anything_ran(self, tmp_path) -> None:
        """A whole folder, too."""
        (tmp_path / "model").mkdir()
        (tmp_path / "model" / "w.bin").write_bytes(b"1")
        plug_in(tmp_path, NUMBERED.format(0))
        table = '[[methods]]\nlabel = "m"\nspec = "meth.py:merge"\nfiles = ["model"]\n'
        (tmp_path / "m.toml").write_text(table)
        before = load_methods(tmp_path / "m.toml")["m"].version
        (tmp_path / "model" / "w.bin").write_bytes(b"22")
        assert load_methods(tmp_path / "m.toml")["m"].version != before

    def test_the_script_of_a_program_counts(self, tmp_path) -> None:
        """The interpreter alone says nothing."""
        script = tmp_path / "pick.py"
        line = f"{sys.executable} {script} {{output}} {{frames}}"
        versions = []
        for number in (0, 1):
            script.write_text(PICK.format(number))
            os.utime(script, ns=(number, number))
            versions.append(find_method(line).version)
        assert versions[0] != versions[1]


@pytest.mark.slow
class TestWhatChangedIsRunAgain:
    """The same command after a change: new rows for what changed, the old ones for the rest."""

    def test_a_helper_of_a_plug_in(self, tmp_path) -> None:
        """Its rows are made again with the new helper, the others stay as they are."""
        helper = tmp_path / "helper.py"
        helper.write_text("WHICH = 0\n")
        spec = plug_in(tmp_path, "import helper\ndef merge(f, info):\n    return f[helper.WHICH]\n")
        suite = write_suite(tmp_path, scenes=["ramp"], methods=["mean", spec])
        before, _ = ran(suite, tmp_path / "out")
        same, said = ran(suite, tmp_path / "out")
        assert "0 to do" in said
        pd.testing.assert_frame_equal(before, same)
        helper.write_text("WHICH = 2\n")
        after, said = ran(suite, tmp_path / "out")
        assert "1 to do" in said
        assert after.loc["meth:merge", "version"] != before.loc["meth:merge", "version"]
        assert after.loc["meth:merge", "image_sha256"] != before.loc["meth:merge", "image_sha256"]
        pd.testing.assert_series_equal(after.loc["mean"], before.loc["mean"])

    def test_a_script_of_a_program(self, tmp_path) -> None:
        """One that fails now has a row that says so."""
        script = tmp_path / "pick.py"
        script.write_text(PICK.format(0))
        line = f"{sys.executable} {script} {{output}} {{frames}}"
        suite = write_suite(tmp_path, scenes=["ramp"], methods=[line])
        assert set(ran(suite, tmp_path / "out")[0]["status"]) == {"ok"}
        script.write_text("raise SystemExit('no')\n")
        rows, said = ran(suite, tmp_path / "out")
        assert "1 to do" in said
        assert set(rows["status"]) == {"failed"}


def test_cells_are_named_by_what_their_methods_are_made_of(tmp_path) -> None:
    """Parameters and declared files are in a cell's key; the place of the files is not."""
    plug_in(tmp_path, NUMBERED.format(0))
    keys = []
    for number in (1, 2):
        suite = write_suite(tmp_path, scenes=["ramp"], methods=[])
        table = f"{TABLE}\nparameters = {{ which = {number} }}"
        suite.write_text(suite.read_text().replace("methods = []\n", "") + table)
        [cell] = cells_of(load_suite(suite))
        keys.append(cell.key)
    assert keys[0] != keys[1]
