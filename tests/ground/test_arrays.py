"""The seam between devices: what it adds to the array API standard does as NumPy does."""

import gc
import sys

import array_api_strict as strict
import numpy as np
import pytest
import scipy.fft
import scipy.ndimage

from stacktruth.ground import arrays


@pytest.fixture
def values() -> np.ndarray:
    """Give a picture of random values."""
    return np.random.default_rng(3).random((12, 18)).astype(np.float32)


def test_an_unknown_device_is_refused() -> None:
    """With what was got and what is allowed."""
    with pytest.raises(ValueError, match=r"device: got 'tpu', allowed cpu, cuda"):
        arrays.checked_device("tpu")


def test_a_gpu_that_is_not_there_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without CuPy there is none."""
    monkeypatch.setitem(sys.modules, "cupy", None)
    with pytest.raises(ValueError, match=r"device: got 'cuda', allowed cpu here \(cuda: .*cupy"):
        arrays.checked_device("cuda")


def test_the_processor_has_numpy_itself(values: np.ndarray) -> None:
    """Without a wrapper, whose functions would cost time and other bytes."""
    assert arrays.namespace(values) is np
    assert arrays.namespace_on("cpu") is np
    assert arrays.sent(values, np) is values


def test_what_is_kept_is_sent_once_and_goes_with_its_array(values: np.ndarray) -> None:
    """Else a device would fill up with tiles that nobody has any more."""
    before = len(arrays._kept)
    first, second = arrays.kept(values, strict), arrays.kept(values, strict)
    assert first is second
    assert len(arrays._kept) == before + 1
    other = values.copy()
    arrays.kept(other, strict)
    del other
    gc.collect()
    assert len(arrays._kept) == before + 1


@pytest.mark.parametrize("xp", [np, strict])
def test_writing_is_as_numpy_does(values: np.ndarray, xp) -> None:
    """In place, by masks, and at places, in any namespace."""
    there = xp.asarray(values, copy=True)
    arrays.write("maximum", there[2:5, :], 0.5, out=there[2:5, :])
    arrays.write_where(there, there * 2, there > 0.9)
    rows, cols = np.array([0, 3, 7]), np.array([1, 1, 5])
    arrays.write_at(there, (xp.asarray(rows), xp.asarray(cols)), xp.asarray([7.0, 8.0, 9.0]))
    wanted = values.copy()
    wanted[2:5] = np.maximum(wanted[2:5], 0.5)
    wanted[wanted > 0.9] *= 2
    wanted[rows, cols] = [7, 8, 9]
    np.testing.assert_array_equal(arrays.to_host(there), wanted)


@pytest.mark.parametrize("xp", [np, strict])
def test_reading_is_as_numpy_does(values: np.ndarray, xp) -> None:
    """Flat arrays at places of any shape; tables at places that may lie beyond their ends."""
    place = np.array([[0, 5], [17, 3]])
    got = arrays.take(xp.asarray(values[1]), xp.asarray(place))
    np.testing.assert_array_equal(arrays.to_host(got), values[1][place])
    beyond = np.array([-4, 2, 40])
    got = arrays.take(xp.asarray(values), xp.asarray(beyond))
    np.testing.assert_array_equal(arrays.to_host(got), values[:, [0, 2, 17]])


@pytest.mark.parametrize("xp", [np, strict])
def test_transforms_and_filters_are_those_of_scipy(values: np.ndarray, xp) -> None:
    """In single precision, there and back; filters with their options."""
    there = arrays.fft2(xp.asarray(values))
    assert there.dtype == xp.complex64
    np.testing.assert_allclose(arrays.to_host(there), scipy.fft.rfft2(values), atol=1e-4)
    back = arrays.fft2(there, values.shape)
    np.testing.assert_allclose(arrays.to_host(back), values, atol=1e-6)
    widest = arrays.image_filter("maximum_filter", xp.asarray(values), 3, mode="nearest")
    wanted = scipy.ndimage.maximum_filter(values, 3, mode="nearest")
    np.testing.assert_array_equal(arrays.to_host(widest), wanted)
