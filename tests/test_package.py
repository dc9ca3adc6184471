"""The one name to import, as a user's script and an installed wheel meet it."""

import doctest
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

import stacktruth

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


def tagged(folder, tag):
    """Make a folder a repository of one commit with a tag."""
    git = ["git", "-C", str(folder), "-c", "user.name=test", "-c", "user.email=test@localhost"]
    for words in (["init", "-q"], ["add", "--all"], ["commit", "-qm", "all"], ["tag", tag]):
        subprocess.run([*git, *words], check=True, capture_output=True)


@pytest.mark.slow
def test_a_wheel_holds_one_package_and_neither_tests_nor_results(tmp_path):
    """Built from a copy of the tracked files, for a build leaves folders where it runs.

    The copy is a repository with a tag, and the wheel's version is that tag.
    """
    tracked = subprocess.run(
        ["git", "ls-files", "-z"], cwd=HOUSE, capture_output=True, text=True, check=True
    ).stdout.split("\0")
    for name in filter(None, tracked):
        if name.split("/")[0] != "results" and (HOUSE / name).is_file():
            target = tmp_path / "source" / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes((HOUSE / name).read_bytes())
    tagged(tmp_path / "source", "v7.5.3")
    pip = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(tmp_path / "wheel")]
    subprocess.run([*pip, str(tmp_path / "source")], check=True, capture_output=True)
    [wheel] = (tmp_path / "wheel").glob("*.whl")
    assert wheel.name.startswith("stacktruth-7.5.3-")
    names = zipfile.ZipFile(wheel).namelist()
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
