"""Files and folders appear whole or not at all, and never in place of another."""

import pickle

import pytest

from stacktruth.ground.atomic import PathExistsError, whole_file, whole_folder, write_whole


def test_a_file_is_written_in_place_of_an_older_one(tmp_path):
    """Nothing but the file is left, and others may read it."""
    path = tmp_path / "a.txt"
    write_whole(path, b"old")
    write_whole(path, b"new")
    assert path.read_bytes() == b"new"
    assert [found.name for found in tmp_path.iterdir()] == ["a.txt"]
    assert path.stat().st_mode & 0o777 == 0o644


def test_a_file_stays_as_it_was_when_writing_fails(tmp_path, monkeypatch):
    """A full disk leaves the old data and no draft."""
    path = tmp_path / "a.txt"
    write_whole(path, b"old")

    def full(_):
        raise OSError("no space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OSError, match="no space"):
        write_whole(path, b"new")
    assert [found.name for found in tmp_path.iterdir()] == ["a.txt"]
    assert path.read_bytes() == b"old"


@pytest.mark.parametrize("whole", [whole_file, whole_folder])
def test_nothing_appears_before_the_end_or_after_an_error(tmp_path, whole):
    """The name is taken at the end of the block; an error in it leaves no trace."""
    path = tmp_path / "deep" / "new.out"

    def stop(draft):
        assert not path.exists()
        assert draft.suffix == path.suffix or draft.is_dir()
        raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"), whole(path) as draft:
        stop(draft)
    assert list(path.parent.iterdir()) == []


def test_a_file_takes_its_name_at_the_end(tmp_path):
    """With what was written."""
    with whole_file(tmp_path / "a.txt") as draft:
        draft.write_text("held")
    assert [found.name for found in tmp_path.iterdir()] == ["a.txt"]
    assert (tmp_path / "a.txt").read_text() == "held"


def test_a_folder_takes_its_name_at_the_end_and_is_open_to_readers(tmp_path):
    """With what was written, and with the rights of any new folder."""
    with whole_folder(tmp_path / "made") as draft:
        (draft / "a.txt").write_text("held")
    (tmp_path / "plain").mkdir()
    assert (tmp_path / "made" / "a.txt").read_text() == "held"
    modes = {(tmp_path / name).stat().st_mode for name in ("made", "plain")}
    assert len(modes) == 1


@pytest.mark.parametrize("kind", ["file", "empty folder", "folder"])
@pytest.mark.parametrize("whole", [whole_file, whole_folder])
def test_what_came_to_stand_there_meanwhile_is_left_alone(tmp_path, whole, kind):
    """Whatever it is, it is named, and the draft is gone."""
    path = tmp_path / "taken"

    def come_between(draft):
        (draft / "a.txt" if draft.is_dir() else draft).write_text("ours")
        if kind == "file":
            path.write_text("mine")
        else:
            path.mkdir()
        if kind == "folder":
            (path / "b.txt").write_text("mine")

    with pytest.raises(PathExistsError, match=r"taken exists already"), whole(path) as draft:
        come_between(draft)
    assert [found.name for found in tmp_path.iterdir()] == ["taken"]
    if kind == "file":
        assert path.read_text() == "mine"
    else:
        assert len(list(path.iterdir())) == (kind == "folder")


def test_the_error_survives_the_way_between_processes(tmp_path):
    """Path and message are the same after pickling."""
    error = pickle.loads(pickle.dumps(PathExistsError(tmp_path)))
    assert error.path == tmp_path
    assert str(error) == f"{tmp_path} exists already; nothing was changed"
