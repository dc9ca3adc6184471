"""Files that a method hands over, and pictures from anywhere: refused before they do harm.

Each reader is held to 100 MB of memory and 20 s in a process of its own.
"""

from __future__ import annotations

import lzma
import os
import resource
import signal
import socket
import struct
import zlib
from collections.abc import Callable
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest

from stacktruth.ground.finished import read_finished
from stacktruth.ground.pictures import encode_image, read_image
from stacktruth.runners.contract import InvalidOutput
from stacktruth.runners.isolate.alarm import TimeIsUpError, ended_after
from stacktruth.runners.isolate.handover import opened, read_bytes
from stacktruth.runners.isolate.picture_files import read_picture
from stacktruth.runners.isolate.run import run_method

SHAPE = (64, 96, 3)
MOST_BYTES = 100_000_000


def tiff(
    data: bytes, *, size: tuple[int, int] = (96, 64), packed: int = 1, bits: int = 16, tile: int = 0
) -> bytes:
    """Return a TIFF of one strip or tile (TIFF 6.0, sections 2, 8 and 15)."""
    layout = (
        [(322, 4, tile), (323, 4, tile), (324, 4, None), (325, 4, len(data))]
        if tile
        else [(273, 4, None), (278, 4, size[1]), (279, 4, len(data))]
    )
    tags = [(256, 4, size[0]), (257, 4, size[1]), (258, 3, -1), (259, 3, packed), (262, 3, 2)]
    tags = sorted([*tags, *layout, (277, 3, 3), (284, 3, 1)])
    after = 8 + 2 + 12 * len(tags) + 4
    entries = b""
    for tag, kind, value in tags:
        number = after + 8 if value is None else after if value == -1 else value
        entries += struct.pack("<HHII", tag, kind, 3 if tag == 258 else 1, number)
    head = b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", len(tags))
    return head + entries + bytes(4) + struct.pack("<4H", bits, bits, bits, 0) + data


def png(width: int, height: int) -> bytes:
    """Return a PNG that claims a size and holds nothing (PNG, third edition, section 11.2.1)."""
    head = b"IHDR" + struct.pack(">IIBBBBB", width, height, 16, 2, 0, 0, 0)
    chunk = struct.pack(">I", 13) + head + struct.pack(">I", zlib.crc32(head))
    return b"\x89PNG\r\n\x1a\n" + chunk


def jpeg(width: int, height: int) -> bytes:
    """Return a JPEG that claims a size (its frame header changed: ITU-T T.81, B.2.2)."""
    data = bytearray(encode_image(np.zeros((16, 16, 3), np.uint8), ".jpg"))
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", height, width)
    return bytes(data)


def zeros(count: int) -> bytes:
    """Return so many zeros, deflated."""
    packer = zlib.compressobj(9)
    parts = [packer.compress(bytes(10**6)) for _ in range(count // 10**6)]
    return b"".join([*parts, packer.flush()])


def many_pages(count: int) -> bytes:
    """Return a TIFF with a chain of directories."""
    one = tiff(bytes(64 * 96 * 6))
    entries = struct.unpack_from("<H", one, 8)[0]
    length = 2 + 12 * entries + 4
    body = one[8 : 8 + length - 4]
    chain = b"".join(body + struct.pack("<I", 8 + length * (n + 1)) for n in range(count - 1))
    return one[:8] + chain + body + bytes(4) + one[8 + length :]


BOMBS: dict[str, tuple[str, Callable[[], bytes]]] = {
    "a head of 6 GB": (".tif", lambda: tiff(b"", size=(40_000, 25_000))),
    "a head of 21 TB": (".tif", lambda: tiff(b"", size=(2**31, 1700))),
    "a strip that deflates to 300 MB": (".tif", lambda: tiff(zeros(3 * 10**8), packed=8)),
    "a strip of LZMA": (".tif", lambda: tiff(lzma.compress(bytes(2 * 10**7)), packed=34925)),
    "a JPEG in a strip": (
        ".tif",
        lambda: tiff(encode_image(np.zeros((6500, 6500, 3), np.uint8), ".jpg"), packed=7, bits=8),
    ),
    "a tile of 12 GB": (".tif", lambda: tiff(zlib.compress(b""), packed=8, tile=1 << 15)),
    "twenty thousand pages": (".tif", lambda: many_pages(20_000)),
    "a PNG of 40000 x 40000": (".png", lambda: png(40_000, 40_000)),
    "a PNG of 2 billion x 2 billion": (".png", lambda: png(2**31 - 1, 2**31 - 1)),
    "a JPEG of 65500 x 65500": (".jpg", lambda: jpeg(65_500, 65_500)),
    "nothing": (".tif", lambda: b""),
    "a link to itself in the chain": (
        ".tif",
        lambda: many_pages(1)[:-4].replace(bytes(4), struct.pack("<I", 8), 1),
    ),
}


def ends_well(read: Callable[[], object]) -> str:
    """Run a reader in a child with little memory and time; return what it raised."""
    told, tells = os.pipe()
    child = os.fork()
    if child == 0:
        held = int(Path("/proc/self/statm").read_text().split()[5]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_DATA, (held + MOST_BYTES, held + MOST_BYTES))
        signal.alarm(20)  # the machine may be busy
        try:
            said = f"read: {np.shape(read())}"
        except (ValueError, OSError) as error:
            said = f"{type(error).__name__}: {error}"
        except BaseException as error:
            said = f"defect: {type(error).__name__}"
        os.write(tells, said.encode("utf-8", "replace")[:3000])
        os._exit(0)
    os.close(tells)
    with os.fdopen(told, "rb") as file:
        said = file.read().decode()
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    return said if code == 0 else f"defect: ended with {code}"


@pytest.mark.parametrize("name", BOMBS)
def test_a_picture_bomb_is_refused_by_all_that_read_pictures(tmp_path: Path, name: str) -> None:
    """In one line that names the file, in 100 MB."""
    suffix, make = BOMBS[name]
    path = tmp_path / f"bomb{suffix}"
    path.write_bytes(make())
    for read in (
        lambda: read_picture(path, SHAPE),
        lambda: read_finished(path),
        lambda: read_image(path),
    ):
        said = ends_well(read)
        if said == f"read: {SHAPE}":
            continue  # whole, and no larger than it says
        assert said.startswith(("InvalidOutput: bomb", "ValueError: bomb")), said
        assert "\n" not in said
        assert len(said) < 600


def test_a_good_picture_is_read(tmp_path: Path) -> None:
    """By the same readers, and by a hand-made TIFF: the bombs are refused for what they are."""
    image = np.arange(64 * 96 * 3, dtype=np.uint16).reshape(SHAPE)
    for name, data in (
        ("a.tif", tiff(image.tobytes())),
        ("b.tif", tiff(zlib.compress(image.tobytes()), packed=8)),
        ("c.png", encode_image(image, ".png")),
    ):
        (tmp_path / name).write_bytes(data)
        np.testing.assert_array_equal(read_picture(tmp_path / name, SHAPE), image)


SPECIAL: dict[str, tuple[Callable[[Path], object], str]] = {
    "pipe": (os.mkfifo, "regular"),
    "folder": (Path.mkdir, "regular"),
    "link": (lambda path: path.symlink_to("/etc/hostname"), "symbolic link"),
    "link to a device": (lambda path: path.symlink_to("/dev/zero"), "symbolic link"),
    "link to a pipe": (lambda path: (os.mkfifo(f"{path}p"), path.symlink_to(f"{path}p")), "link"),
    "link to itself": (lambda path: path.symlink_to(path), "symbolic link"),
    "second name": (
        lambda path: (Path(f"{path}2").write_bytes(b"x"), os.link(f"{path}2", path)),
        "another name",
    ),
    "sparse": (lambda path: (path.touch(), os.truncate(path, 10**13)), "MB, allowed"),
    "missing": (lambda _: None, "wrote no"),
}


@pytest.mark.parametrize("name", SPECIAL)
def test_only_a_regular_file_of_its_own_is_opened(tmp_path: Path, name: str) -> None:
    """Nothing that waits, leads elsewhere or has no end."""
    make, says = SPECIAL[name]
    make(tmp_path / "f")
    with pytest.raises(InvalidOutput, match=says):
        read_bytes(tmp_path / "f", max_mb=1.0)


def test_a_socket_is_not_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its name is short, for a socket's path may not be long."""
    monkeypatch.chdir(tmp_path)
    with socket.socket(socket.AF_UNIX) as one:
        one.bind("s")
        with pytest.raises(InvalidOutput, match="regular"), opened(Path("s")):
            pass


def test_a_file_of_the_largest_size_is_read(tmp_path: Path) -> None:
    """One byte more is not."""
    (tmp_path / "f").write_bytes(bytes(1000))
    assert len(read_bytes(tmp_path / "f", max_mb=0.001)) == 1000
    (tmp_path / "f").write_bytes(bytes(1001))
    with pytest.raises(InvalidOutput, match="allowed"):
        read_bytes(tmp_path / "f", max_mb=0.001)


def test_a_built_in_is_held_to_its_time_where_a_judge_runs_it(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Also in this process, where it is given a truth; nothing is told of where it was by then."""
    frames = [np.zeros((400, 600, 3), np.uint16)] * 12
    info = {"frames": [{}] * 12, "height_px": 400, "width_px": 600, "reference": 0, "bits": 16}
    outcome = run_method("mean", frames, info, time_limit_s=0.01, truth=object())
    assert (outcome.status, outcome.reason) == ("timed-out", "took more than 0.01 s")
    assert signal.getitimer(signal.ITIMER_REAL)[0] == 0
    assert capsys.readouterr().err == ""


def test_a_reader_does_not_take_the_end_of_the_time_for_a_broken_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It catches what decoders raise, which is of every kind."""
    (tmp_path / "a.png").write_bytes(encode_image(np.zeros((4, 4, 3), np.uint8), ".png"))
    monkeypatch.setattr("imagecodecs.png_decode", lambda _: signal.raise_signal(signal.SIGALRM))
    with pytest.raises(TimeIsUpError), ended_after(60.0):
        read_image(tmp_path / "a.png")


def test_an_array_head_takes_no_more_than_its_size(tmp_path: Path) -> None:
    """The buffer that a head is read from is bounded (NEP 1)."""
    from stacktruth.runners.isolate.handover import read_array

    file = BytesIO()
    np.save(file, np.zeros(SHAPE, np.uint8))
    (tmp_path / "a.npy").write_bytes(file.getvalue())
    assert read_array(tmp_path / "a.npy", SHAPE).shape == SHAPE
    with pytest.raises(InvalidOutput, match="shape"):
        read_array(tmp_path / "a.npy", (64, 96))
