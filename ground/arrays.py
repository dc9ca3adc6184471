"""Where arrays live: the one place that knows which device a picture is worked out on.

Code on the way of a picture takes its namespace from its inputs, as the array API standard has
it; what the standard lacks stands here. NumPy is called as it always was, byte for byte.
"""

from __future__ import annotations

import importlib
import weakref
from functools import lru_cache
from types import ModuleType
from typing import Any

import numpy as np
import scipy.fft
import scipy.ndimage
from array_api_compat import array_namespace

#: What a picture may be worked out on, and the namespace of its arrays.
DEVICES = {"cpu": "numpy", "cuda": "cupy"}
#: Samples that stay in a processor's cache are worked on at once; a GPU wants as many as there are.
_ALL_AT_ONCE = 1 << 27
#: Side of the tiles that a picture is rendered in, px, by device: they bound the memory.
_TILE_PX = {"cuda": 2560}
#: What was sent to a device, by the array that it is a copy of.
_sent: dict[tuple[int, str], Any] = {}


def checked_device(name: str) -> str:
    """Return the name of a device that can be used.

    Raises
    ------
    ValueError
        It is none that there is, or this machine lacks what it needs.
    """
    if name not in DEVICES:
        raise ValueError(f"device: got {name!r}, allowed {', '.join(DEVICES)}")
    if name == "cuda":
        try:
            found = importlib.import_module("cupy").cuda.runtime.getDeviceCount()
        except ImportError as error:
            why = f"CuPy is not installed ({error}): pip install 'stacktruth[gpu]'"
            raise ValueError(f"device: got 'cuda', allowed cpu here: {why}") from error
        except Exception as error:  # whatever a driver may say
            raise ValueError(f"device: got 'cuda', allowed cpu here: {error}") from error
        if found < 1:
            raise ValueError("device: got 'cuda', allowed cpu here: no GPU is found")
    return name


@lru_cache(maxsize=8)
def namespace_on(device: str) -> Any:
    """Return the namespace of a device's arrays; tests may name a namespace itself."""
    module = importlib.import_module(DEVICES.get(device, device))
    return module if module is np else array_namespace(module.zeros(1))


def namespace(array: Any) -> Any:
    """Return the namespace of an array; numbers are NumPy's."""
    if isinstance(array, (np.ndarray, np.generic, float, int)):
        return np
    return array_namespace(array)


def single(value: Any) -> float:
    """Return a number with the digits of single precision, which works with arrays of any kind."""
    return float(np.float32(value))


def sent(values: Any, xp: Any) -> Any:
    """Return a host's array on a device, or itself where that is the host."""
    return values if xp is np else xp.asarray(values)


def kept(values: Any, xp: Any) -> Any:
    """Return a host's array on a device, where it stays for as long as the array itself lives."""
    if xp is np or not isinstance(values, np.ndarray):
        return values
    key = (id(values), xp.__name__)
    if key not in _sent:
        _sent[key] = xp.asarray(values)
        weakref.finalize(values, _sent.pop, key, None)
    return _sent[key]


def to_host(values: Any) -> Any:
    """Return an array of NumPy, wherever the values are."""
    if isinstance(values, np.ndarray):
        return values
    return values.get() if hasattr(values, "get") else np.asarray(values)


def at_once(samples: int, xp: Any) -> int:
    """Return how many samples to work on at once, where a processor's cache wants ``samples``."""
    return _ALL_AT_ONCE if xp.__name__.endswith("cupy") else samples


def tile_px(device: str, host: int) -> int:
    """Return the side of a picture's tiles on a device, given that on the host."""
    return _TILE_PX.get(device, host)


def freed(device: str) -> None:
    """Give back the memory of a device that was asked for and is not in use."""
    if device == "cuda":
        _sent.clear()
        importlib.import_module("cupy").get_default_memory_pool().free_all_blocks()


def _like_numpy(array: Any) -> bool:
    """Whether NumPy's own functions work on an array, in place too."""
    return hasattr(array, "__array_function__")


def write(function: str, *values: Any, out: Any) -> None:
    """Write what a function of the standard gives into an array, without a copy where it can be."""
    if _like_numpy(out):
        getattr(np, function)(*values, out=out)
    else:
        xp = namespace(out)
        out[...] = xp.astype(getattr(xp, function)(*values), out.dtype, copy=False)


def write_where(into: Any, values: Any, where: Any) -> None:
    """Write values into an array where a mask of its shape, or that broadcasts to it, says so."""
    if _like_numpy(into):
        np.copyto(into, values, where=where, casting="same_kind")
    else:
        xp = namespace(into)
        into[...] = xp.astype(xp.where(where, values, into), into.dtype)


def write_at(into: Any, index: tuple[Any, ...], values: Any) -> None:
    """Write values into an array at places given by an array of integers for each axis."""
    if not _like_numpy(into):  # the standard reads at places, and writes by masks alone
        host = np.array(np.asarray(into))
        host[tuple(np.asarray(one) for one in index)] = np.asarray(values)
        into[...] = namespace(into).asarray(host)
    else:
        into[index] = values


def clip(values: Any, low: Any, high: Any) -> Any:
    """Return values within two limits."""
    return (np if _like_numpy(values) else namespace(values)).clip(values, low, high)


def take(flat: Any, place: Any) -> Any:
    """Return the elements of a flat array at places of any shape."""
    return flat.take(place) if _like_numpy(flat) else flat[place]


def take_within(table: Any, place: Any) -> Any:
    """Return the columns of a table at flat places; beyond its ends, those at its ends."""
    if isinstance(table, np.ndarray):
        return table.take(place, axis=1, mode="clip")
    return namespace(table).take(table, clip(place, 0, table.shape[1] - 1), axis=1)


def rfft2(values: Any) -> Any:
    """Return the Fourier transform of real values over the last two axes."""
    xp = namespace(values)
    return scipy.fft.rfft2(values) if xp is np else xp.fft.rfftn(values, axes=(-2, -1))


def irfft2(values: Any, shape: tuple[int, int], **options: Any) -> Any:
    """Return the real values, of a shape, whose transform is given."""
    xp = namespace(values)
    if xp is np:
        return scipy.fft.irfft2(values, s=shape, **options)
    return xp.fft.irfftn(values, s=shape, axes=(-2, -1))


def image_filter(name: str, values: Any, *args: Any, **options: Any) -> Any:
    """Call a filter of ``scipy.ndimage``, or its like on the device."""
    filters: ModuleType = scipy.ndimage
    if isinstance(values, np.ndarray):
        return getattr(filters, name)(values, *args, **options)
    if _like_numpy(values):
        filters = importlib.import_module("cupyx.scipy.ndimage")
        return getattr(filters, name)(values, *args, **options)
    return namespace(values).asarray(getattr(filters, name)(np.asarray(values), *args, **options))
