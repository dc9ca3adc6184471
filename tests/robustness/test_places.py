"""Places that do not take what is written: full, closed, of a strange name, for another user.

Commands run as a user runs them. Each works, or ends with one sentence and a status other than 0,
and leaves nothing half made.
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from stacktruth.ground.atomic import NotWrittenError, whole_file, whole_folder, write_whole
from stacktruth.ground.frames import FrameFiles
from stacktruth.ground.pictures import encode_image
from stacktruth.runners.isolate.run import run_method

SMALL = ("--frames", "2", "--crop", "384x256", "--bin", "8", "--quality", "fast", "--workers", "1")
RENDER = ("render", "ramp", "--rig", "field-2x", *SMALL)
STRANGE = "ein Ordner mit \u00fc, '$x' & \u6f22\u5b57"
METHOD = "def merge(frames, info):\n    return frames[0]\n"
NOBODY = 65534
_MOUNTED = "mount -t tmpfs -o {} none full"


def stacktruth(*words: str, cwd: Path, before: tuple[str, ...] = (), **env: str | None) -> str:
    """Run a command; return its exit status and what it said on stderr."""
    merged = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1", **env}
    ran = subprocess.run(
        [*before, sys.executable, "-m", "stacktruth.runners.cli", *words],
        cwd=cwd,
        env={name: value for name, value in merged.items() if value is not None},
        capture_output=True,
        timeout=300,
        check=False,
    )
    return f"{ran.returncode} {ran.stderr.decode('utf-8', 'replace')}"


def is_one_sentence(said: str, *, status: int) -> bool:
    """Tell whether a command ended with a status and one or two lines."""
    lines = said.strip().splitlines()
    return lines[0].startswith(f"{status} stacktruth: error: ") and len(lines) <= 2


@cache
def may_mount() -> tuple[str, ...]:
    """Return what goes before a command that may mount; skip where nothing may."""
    for more in ((), ("--user", "--map-root-user")):
        prefix = ("unshare", "--mount", *more)
        tried = [*prefix, "mount", "-t", "tmpfs", "-o", "size=64k", "none", "/mnt"]
        if shutil.which("unshare") and not subprocess.run(tried, check=False).returncode:
            return prefix
    pytest.skip("nothing may be mounted here")


@cache
def as_another() -> tuple[str, ...]:
    """Return what goes before a command to run it as nobody, who may write where anybody may.

    Where nobody may not read the interpreter, as in the home of root, the right to read is left.
    """
    if os.geteuid() != 0 or not shutil.which("setpriv"):
        pytest.skip("only root may become another user")
    other = ("setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups")
    reading = ("--inh-caps=+dac_read_search", "--ambient-caps=+dac_read_search")
    for prefix in ((*other, "env"), (*other, *reading, "env")):  # env starts it as nobody does
        tried = [*prefix, sys.executable, "-c", "import stacktruth"]
        if not subprocess.run(tried, capture_output=True, check=False).returncode:
            return prefix
    pytest.skip("nobody can run this interpreter")


@pytest.fixture
def open_place() -> Iterator[Path]:
    """Give a folder that anybody may write to, and reach; those of the tests are their owner's."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o777)
        yield Path(name).resolve()


def write_bytes(path: Path) -> None:
    """Write a file at one go."""
    write_whole(path, bytes(300_000))


def write_by_hand(path: Path) -> None:
    """Write a file piece by piece."""
    with whole_file(path) as draft, draft.open("wb") as file:
        file.write(bytes(300_000))


def write_by_numpy(path: Path) -> None:
    """Write by what gives no reason where it cannot write all."""
    with whole_folder(path) as draft, (draft / "a.raw").open("wb") as file:
        np.ones(300_000).tofile(file)


@pytest.mark.parametrize("write", [write_bytes, write_by_hand, write_by_numpy])
def test_what_cannot_be_written_is_named(write: Callable[[Path], None], tmp_path: Path) -> None:
    """In a process whose files may not grow: the path is told, and nothing is left."""
    told, tells = os.pipe()
    child = os.fork()
    if child == 0:
        resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000))
        try:
            write(tmp_path / "made")
        except NotWrittenError as error:
            os.write(tells, str(error).encode())
        os._exit(0)
    os.close(tells)
    os.waitpid(child, 0)
    with os.fdopen(told) as file:
        said = file.read()
    assert said.startswith(f"{tmp_path / 'made'}: ")
    assert said.endswith("; nothing of it was left there")
    assert list(tmp_path.iterdir()) == []


def test_a_reader_that_has_gone_is_no_disk_that_is_full(tmp_path: Path) -> None:
    """A broken pipe within the making of a folder stays what it is."""
    with pytest.raises(BrokenPipeError), whole_folder(tmp_path / "made"):
        raise BrokenPipeError(32, "Broken pipe")


def test_a_method_is_not_blamed_for_a_disk_that_is_full(tmp_path: Path) -> None:
    """Its picture may not be written whole, at any byte of it: the cell is tried again."""
    (tmp_path / "own.py").write_text(METHOD)
    image = np.zeros((64, 96, 3), np.uint16)
    (tmp_path / "0000.png").write_bytes(encode_image(image, ".png"))
    info = {"frames": [{"file": "0000.png"}], "height_px": 64, "width_px": 96}
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    spec = f"{tmp_path / 'own.py'}:merge"
    for most in (12_000, 36_900):
        try:
            resource.setrlimit(resource.RLIMIT_FSIZE, (most, hard))
            got = run_method(spec, FrameFiles([tmp_path / "0000.png"]), info)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        assert (got.status, got.from_outside) == ("killed", True), (got.reason, got.stderr)
        assert "no room for its result" in got.reason


@pytest.mark.slow
class TestPlaces:
    """Commands in places that are not as on the machine they were made on."""

    def test_another_user_without_a_home(self, open_place: Path) -> None:
        """Nobody renders and scores into a folder of a strange name; the method's file beside."""
        place = open_place / STRANGE
        place.mkdir()
        place.chmod(0o777)
        (place / "own.py").write_text(METHOD)
        how = {"cwd": place, "before": as_another(), "HOME": "/nonexistent", "USER": None}
        assert stacktruth(*RENDER, "--out", "Stapel \u00e9", **how).startswith("0 made: ")
        words = ("score", "Stapel \u00e9", "--method", "own.py:merge", "--csv", "\u00fc b.csv")
        assert stacktruth(*words, **how).startswith("0 ")
        assert ",ok," in (place / "\u00fc b.csv").read_text()

    def test_another_user_where_he_may_not_write(self, open_place: Path) -> None:
        """One sentence before anything is rendered; a home that may not be written does no harm."""
        closed = open_place / "closed"
        closed.mkdir(mode=0o755)
        how = {"cwd": open_place, "before": as_another(), "HOME": str(closed)}
        said = stacktruth(*RENDER, "--out", str(closed / "x"), **how)
        assert is_one_sentence(said, status=2), said
        assert f"got {closed}, which may not be written to" in said
        assert stacktruth(*RENDER, "--out", "x", **how).startswith("0 made: ")
        assert list(closed.iterdir()) == []

    @pytest.mark.parametrize(
        "words",
        [(*RENDER, "--out", "full/x"), ("export", "ramp", "--to", "full/x.obj")],
        ids=lambda words: words[0],
    )
    def test_a_disk_that_is_full(self, words: tuple[str, ...], tmp_path: Path) -> None:
        """What was to be made is named, and nothing of it is on the disk."""
        (tmp_path / "full").mkdir()
        script = f'{_MOUNTED.format("size=40k")}; shift; "$@"; code=$?; ls -A full >&2; exit $code'
        before = (*may_mount(), "sh", "-c", script, "sh", "--")
        said = stacktruth(*words, cwd=tmp_path, before=before)
        assert is_one_sentence(said, status=1), said
        assert f"{words[-1]}: " in said
        assert "nothing of it was left there" in said

    def test_a_temporary_directory_that_is_full(self, tmp_path: Path) -> None:
        """Copies of the frames have no room there: that is said of the place, not the method."""
        (tmp_path / "own.py").write_text(METHOD)
        assert stacktruth(*RENDER, "--out", "stack", cwd=tmp_path).startswith("0 ")
        (tmp_path / "full").mkdir()
        script = f'{_MOUNTED.format("size=16k")}; shift; "$@"; code=$?; ls -A full >&2; exit $code'
        before = (*may_mount(), "sh", "-c", script, "sh", "--")
        words = ("score", "stack", "--method", "own.py:merge")
        said = stacktruth(*words, cwd=tmp_path, before=before, TMPDIR=str(tmp_path / "full"))
        assert is_one_sentence(said, status=1), said
        assert "No space left on device" in said
        assert str(tmp_path / "full") in said
