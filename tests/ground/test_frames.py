"""Frames in files: read when they are asked for, and refused when one is unlike the others."""

from pathlib import Path

import numpy as np
import pytest

from stacktruth.ground.frames import FrameFiles
from stacktruth.ground.pictures import write_copy

SHAPE = (6, 8, 3)


@pytest.fixture
def paths(tmp_path: Path) -> list[Path]:
    """Return three frames, each of one value: its number."""
    paths = [tmp_path / f"{number}.tif" for number in range(3)]
    for number, path in enumerate(paths):
        write_copy(path, np.full(SHAPE, number, np.uint16))
    return paths


def test_frames_are_a_sequence_of_pictures(paths: list[Path]) -> None:
    """By number from either end, in order, and as slices that are lazy again."""
    frames = FrameFiles(paths)
    assert len(frames) == 3
    assert frames[-1].flat[0] == 2
    assert [frame.flat[0] for frame in frames] == [0, 1, 2]
    assert [frame.flat[0] for frame in frames[1:]] == [1, 2]
    assert isinstance(frames[1:], FrameFiles)


def test_shape_and_type_are_those_of_the_first_frame(paths: list[Path]) -> None:
    """They are known without reading any other frame."""
    for path in paths[1:]:
        path.unlink()
    frames = FrameFiles(paths)
    assert frames.shape == (3, *SHAPE)
    assert frames.dtype == np.uint16


def test_given_shape_and_type_need_no_frame(paths: list[Path]) -> None:
    """They are taken as told, also for a slice."""
    for path in paths:
        path.unlink()
    frames = FrameFiles(paths, frame_shape=SHAPE, dtype=np.dtype(np.uint16))
    assert frames[:2].shape == (2, *SHAPE)
    assert frames.dtype == np.uint16


@pytest.mark.parametrize("odd", [np.zeros((6, 9, 3), np.uint16), np.zeros(SHAPE, np.uint8)])
def test_a_frame_unlike_the_others_is_refused(paths: list[Path], odd: np.ndarray) -> None:
    """The message names the file, what it holds and what was expected."""
    write_copy(paths[1], odd)
    frames = FrameFiles(paths)
    with pytest.raises(ValueError, match=rf"1.tif: got {odd.dtype} of shape .*, expected uint16"):
        list(frames)
    with pytest.raises(ValueError, match="expected uint8"):
        FrameFiles(paths, frame_shape=SHAPE, dtype=np.dtype(np.uint8))[0]


def test_no_frames_are_refused() -> None:
    """A stack has at least one."""
    with pytest.raises(ValueError, match="at least one frame, got none"):
        FrameFiles([])
