"""The one name to import, as a user's script and an installed wheel meet it."""

import doctest
import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

import stacktruth
from tests.supply import licences, lowest, wheel

HOUSE = Path(__file__).resolve().parents[1]
# What every researcher has beside a script; none of it is ours any more.
BESIDE = ("metrics.py", "simulator.py", "runners.py", "ground.py", "scenes.py")


def test_every_public_name_is_there():
    """`__all__` holds what the lazy table offers, and each name can be had."""
    assert sorted(stacktruth.__all__) == stacktruth.__all__
    assert set(stacktruth.__all__) == {*stacktruth._HOMES, *stacktruth._ROOMS}
    assert all(getattr(stacktruth, name) is not None for name in stacktruth.__all__)
    assert set(stacktruth.__all__) <= set(dir(stacktruth))


def test_an_unknown_name_is_an_attribute_error():
    """As of any module: the message names the package and the name."""
    with pytest.raises(AttributeError, match="'stacktruth' has no attribute 'stack_frames'"):
        _ = stacktruth.stack_frames


def test_the_example_of_the_package_runs():
    """What the package's own text shows is what one gets."""
    found = doctest.testmod(stacktruth)
    assert found.attempted > 0
    assert found.failed == 0


def test_files_of_other_people_are_not_taken_for_ours(tmp_path):
    """A script beside files with the names of our rooms imports ours and not those."""
    for name in BESIDE:
        (tmp_path / name).write_text("raise RuntimeError('this is the wrong one')\n")
    script = tmp_path / "script.py"
    script.write_text(
        "import stacktruth\n"
        "from stacktruth.runners.bench import bench\n"
        "print(stacktruth.score.__module__, stacktruth.metrics.METRICS is not None)\n"
    )
    asked = [sys.executable, str(script)]
    ran = subprocess.run(asked, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (ran.returncode, ran.stderr) == (0, "")
    assert ran.stdout == "stacktruth.runners.judge.scoring True\n"


@pytest.mark.slow
def test_a_wheel_holds_one_package_and_neither_tests_nor_results(tmp_path):
    """Built from a copy of the tracked files, for a build leaves folders where it runs.

    The copy is a repository with a tag, and the wheel's version is that tag.
    """
    asked = ["git", "ls-files", "-z"]
    ran = subprocess.run(asked, cwd=HOUSE, capture_output=True, text=True, check=True)
    tracked = list(filter(None, ran.stdout.split("\0")))
    made = wheel(tmp_path, tag="v7.5.3")
    assert made.name.startswith("stacktruth-7.5.3-")
    names = zipfile.ZipFile(made).namelist()
    tops = {name.split("/")[0] for name in names}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"stacktruth"}
    rooms = {name.split("/")[1] for name in names if name.startswith("stacktruth/")}
    assert rooms == {"__init__.py", "ground", "metrics", "runners", "scenes", "simulator"}
    assert "stacktruth/scenes/rigs/field-2x.toml" in names
    assert "stacktruth/runners/bench/report/report.html" in names
    beside_code = [
        name for name in tracked if name.split("/")[0] == "runners" and not name.endswith(".py")
    ]
    assert beside_code
    assert {f"stacktruth/{name}" for name in beside_code} <= set(names)


def test_each_dependency_has_a_lowest_version_that_is_tried():
    """CI installs these very versions, and uses the wheel with them."""
    pins = lowest()
    assert "numpy==2.0.0" in pins
    assert len(pins) >= 13
    assert "tests/supply.py lowest" in (HOUSE / ".ci" / "run").read_text()


def test_each_library_names_a_licence_that_asks_nothing_of_ours():
    """None under a licence of the GPL family (gnu.org), nor without a licence at all."""
    held = {name: told for name, _, told in licences()}
    assert {"numpy", "scipy", "pydantic", "imagecodecs"} <= {name.lower() for name in held}
    bad = {n: t for n, t in held.items() if t == "none named" or re.search(r"GPL|GNU|Prop", t)}
    assert not bad
