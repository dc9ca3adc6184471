"""Whoever holds a name keeps others from it."""

import fcntl
from pathlib import Path

import pytest

from stacktruth.ground.locks import locked


def test_a_name_that_is_held_is_refused_and_goes_with_the_lock(tmp_path: Path) -> None:
    """And can be had again afterwards."""
    path = tmp_path / ".lock"
    for _ in range(2):
        with locked(path, wait=False), pytest.raises(BlockingIOError), locked(path, wait=False):
            pass
        assert not path.exists()


def test_a_file_that_lost_its_name_is_no_lock(tmp_path, monkeypatch):
    """One that was opened before its holder took it away would let two in at once."""
    path = tmp_path / ".lock"
    taken = []

    def take_away(file, how, flock=fcntl.flock):
        flock(file, how)
        if not taken:
            taken.append(path.unlink())

    monkeypatch.setattr(fcntl, "flock", take_away)
    with locked(path, wait=False):
        assert path.exists()
