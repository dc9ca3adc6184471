"""Work on rows of larger arrays, against NumPy's own setting."""

from threading import Thread

import numpy as np

from stacktruth.ground.rows import in_place


def test_the_setting_holds_within_and_in_its_own_thread_alone():
    """NumPy's buffers are shorter there, and as before afterwards, whatever happens."""
    before, seen = np.getbufsize(), []
    try:
        with in_place():
            assert np.getbufsize() < before
            other = Thread(target=lambda: seen.append(np.getbufsize()))
            other.start()
            other.join()
            raise ValueError
    except ValueError:
        pass
    assert np.getbufsize() == before
    assert seen == [before]


def test_rows_are_worked_on_as_copies_of_them_are():
    """Products of parts of rows with other types, against those of whole arrays, to the bit."""
    rng = np.random.default_rng(3)
    whole = rng.random((3, 40, 1500), np.float32)
    part = whole[:, 3:-4, 101:-7]
    other = rng.random(part.shape) + 1j * rng.random(part.shape)
    wanted = np.ascontiguousarray(part) * other.astype(np.complex64)
    with in_place():
        assert np.array_equal(part * other.astype(np.complex64), wanted)
        part += part
    assert np.array_equal(part * np.float32(0.5), np.ascontiguousarray(part) / 2)
