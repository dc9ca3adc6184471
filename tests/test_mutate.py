"""The command that changes the code and sees whether a test notices."""

import importlib.util
import shutil
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
SUM = "def add(first, second):\n    return first + second\n"
ADDS = "from adder import add\n\n\ndef test_sum():\n    assert add({}) == {}\n"


@pytest.fixture(scope="module")
def mutate():
    """Return the command's module."""
    spec = importlib.util.spec_from_file_location("mutate", HERE / "mutate.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["mutate"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def tree(tmp_path):
    """Make a tree of one function with a sharp test and a blunt one."""
    copy = tmp_path / "stacktruth"
    tests = copy / "tests"
    tests.mkdir(parents=True)
    shutil.copy(HERE.parent / "pyproject.toml", copy)
    (tests / "adder.py").write_text(SUM, encoding="utf-8")
    (tests / "conftest.py").write_text(
        f"import sys\nsys.path.insert(0, {str(tests)!r})\n", encoding="utf-8"
    )
    (tests / "test_sharp.py").write_text(ADDS.format("3, 2", 5), encoding="utf-8")
    (tests / "test_blunt.py").write_text(ADDS.format("2, 2", 4), encoding="utf-8")
    return copy


def change(mutate, **parts):
    """Return a change of the sum into a product, which 2 and 2 cannot tell."""
    asked = {"file": "tests/adder.py", "old": "first + second", "new": "first * second"}
    return mutate.Change(**asked | {"breaks": "a sum", "tests": ("test_blunt.py",)} | parts)


@pytest.mark.slow
def test_a_change_survives_a_blunt_test_and_not_a_sharp_one(mutate, tree):
    """And the file is afterwards what it was before."""
    assert mutate.survives(change(mutate), tree)
    assert not mutate.survives(change(mutate, tests=("test_sharp.py",)), tree)
    assert not mutate.survives(change(mutate, tests=("test_blunt.py", "test_sharp.py")), tree)
    assert (tree / "tests" / "adder.py").read_text(encoding="utf-8") == SUM


def test_tests_that_cannot_run_are_no_verdict(mutate, tree):
    """A name that no test has must not count as noticed."""
    with pytest.raises(RuntimeError, match="pytest ended with 4"):
        mutate.survives(change(mutate, tests=("test_sharp.py::test_none",)), tree)


def test_a_row_that_fits_no_file_is_refused(mutate, tree):
    """The text stands once, and the tests are there: code that moved on is told."""
    table = tree / "mutations.toml"
    row = '[[change]]\nfile = "tests/adder.py"\nold = "{}"\nnew = "x"\nbreaks = "it"\n'
    row += 'tests = ["{}"]\n'
    table.write_text(row.format("first", "test_sharp.py"), encoding="utf-8")
    with pytest.raises(ValueError, match="'first' stands there 2 times, allowed 1"):
        mutate.changes(table, house=tree)
    table.write_text(row.format("first +", "test_dull.py::test_x"), encoding="utf-8")
    with pytest.raises(ValueError, match=r"there is no test test_dull\.py::test_x"):
        mutate.changes(table, house=tree)


def test_the_table_fits_the_code(mutate):
    """At least fifty changes, each in a text that is there, of the ground and of each package."""
    found = mutate.changes()
    assert len(found) >= 50
    rooms = {change.file.partition("/")[0] for change in found}
    assert rooms == {"ground", "simulator", "metrics", "runners"}
    assert all(change.old != change.new for change in found)
