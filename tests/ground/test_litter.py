"""What killed processes left is found by the mark in its name, and nothing else is touched."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from stacktruth.ground.atomic import whole_folder
from stacktruth.ground.litter import (
    PREFIX,
    is_left_over,
    owner,
    remove_litter,
    removed,
    temporary_folder,
)
from stacktruth.runners.bench.running.store import Store

MAKE = """
import sys, tempfile, time
from pathlib import Path
from stacktruth.ground.litter import PREFIX, owner
from stacktruth.ground.atomic import whole_folder
place = Path(sys.argv[1])
with whole_folder(place / "stack") as draft:
    (draft / "frame").write_text("x")
    made = tempfile.mkdtemp(prefix=f"{PREFIX}run-{owner()}-", dir=place)
    (Path(made) / "f").write_text("x")
    print(owner(), flush=True)
    time.sleep(60)
"""


def test_what_a_killed_process_left_is_removed(tmp_path: Path) -> None:
    """While it lives it is left alone; after kill -9 it goes, files of others stay."""
    (tmp_path / f"{PREFIX}mine").mkdir()
    (tmp_path / "notes").write_text("mine")
    command = [sys.executable, "-c", MAKE, str(tmp_path)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    mark = process.stdout.readline().strip()
    assert mark.startswith("@")
    assert remove_litter(tmp_path) == remove_litter(tmp_path, prefix=".") == []
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()
    assert is_left_over(f"x{mark}y")
    assert len(remove_litter(tmp_path)) == len(remove_litter(tmp_path, prefix=".stack-")) == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["notes", f"{PREFIX}mine"]


def test_the_next_start_removes_what_a_killed_one_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Drafts beside whatever is made next, and temporary folders by a benchmark or a trial."""
    gone, mine = tmp_path / f".other-{_of_a_dead_one()}-x", tmp_path / ".other-kept"
    folder = tmp_path / f"{PREFIX}run-{_of_a_dead_one()}-x"
    for start in (_make_a_folder, _clear_a_benchmark, _take_a_temporary_folder):
        for path in (gone, mine, folder):
            path.mkdir(exist_ok=True)
            (path / "held").write_text("x")
        monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
        start(tmp_path)
        assert mine.is_dir()
        assert [gone, folder][start is not _make_a_folder].exists() is False


def _of_a_dead_one() -> str:
    """Return the mark of a process of this number that started at another time."""
    machine, number, start = owner().strip("@").split(".")
    return f"@{machine}.{number}.{int(start) + 1}@"


def _make_a_folder(place: Path) -> None:
    with whole_folder(place / "new") as draft:
        (draft / "x").write_text("x")


def _clear_a_benchmark(place: Path) -> None:
    store = Store(place / "bench")
    store.make()
    store.clear()


def _take_a_temporary_folder(place: Path) -> None:
    with temporary_folder("trial") as folder:
        assert folder.parent == place.resolve()


def test_a_number_that_is_used_again_is_no_owner() -> None:
    """The start of a process counts, too; names of other machines are left alone."""
    machine, number, start = owner().strip("@").split(".")
    assert not is_left_over(owner())
    assert is_left_over(f"@{machine}.{number}.{int(start) + 1}@")
    assert not is_left_over(f"@00000000.{number}.{int(start) + 1}@")
    assert not is_left_over("stacktruth-run-abc")


def test_a_folder_that_is_closed_or_very_deep_goes(tmp_path: Path) -> None:
    """Deeper than any path is long (PATH_MAX is 4096); what a link in it leads to stays."""
    folder, outside = tmp_path / "f", tmp_path / "outside"
    outside.mkdir()
    (outside / "kept").write_text("x")
    folder.mkdir()
    (folder / "link").symlink_to(outside)
    (folder / "closed").mkdir()
    (folder / "closed" / "x").write_text("x")
    (folder / "closed").chmod(0)
    before = os.open(".", os.O_RDONLY)
    os.chdir(folder)
    try:
        for _ in range(3000):
            os.mkdir("d")
            os.chdir("d")
    finally:
        os.fchdir(before)
        os.close(before)
    assert removed(folder)
    assert (outside / "kept").read_text() == "x"
