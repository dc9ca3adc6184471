"""The one place that knows devices: where arrays live, and what the array API standard lacks."""

from __future__ import annotations

import importlib
import weakref
from functools import lru_cache, partial
from typing import Any

import numpy as np
import scipy.fft
import scipy.ndimage
from array_api_compat import array_namespace

#: What a picture may be worked out on, and the namespace of its arrays.
DEVICES = {"cpu": "numpy", "cuda": "cupy"}
#: What arrays have that NumPy's own functions work on, in place too: its own, and CuPy's.
_IN_PLACE = "__array_function__"
_kept: dict[tuple[int, str], Any] = {}


def checked_device(name: str) -> str:
    """Return the name of a device; a ValueError says why it cannot be used."""
    if name not in DEVICES:
        raise ValueError(f"device: got {name!r}, allowed {', '.join(DEVICES)}")
    try:
        if name == "cuda" and importlib.import_module(DEVICES[name]).cuda.is_available() is False:
            raise RuntimeError("no GPU is found")
    except Exception as error:  # CuPy is not there, or whatever its driver may say
        raise ValueError(f"device: got {name!r}, allowed cpu here (cuda: {error})") from error
    return name


@lru_cache(maxsize=8)
def namespace_on(device: str) -> Any:
    """Return the namespace of a device's arrays; tests may name a namespace itself."""
    module = importlib.import_module(DEVICES.get(device, device))
    if device == "cuda":  # there are as many shapes of transforms as kinds of parts
        module.fft.config.get_plan_cache().set_size(512)
    return module if module is np else array_namespace(module.zeros(1))


def namespace(array: Any) -> Any:
    """Return the namespace of an array; numbers are NumPy's."""
    return np if isinstance(array, (np.ndarray, np.generic, float, int)) else array_namespace(array)


def single(value: Any) -> float:
    """Return a number of single precision, of the type that goes with arrays of any namespace."""
    return float(np.float32(value))


def sent(values: Any, xp: Any, *, keep: bool = False) -> Any:
    """Return the host's array on a device; one to keep is sent once for as long as it lives."""
    if xp is np or not isinstance(values, np.ndarray):
        return values
    if not keep:
        return xp.asarray(values)
    if (key := (id(values), xp.__name__)) not in _kept:
        _kept[key] = xp.asarray(values, copy=True)
        weakref.finalize(values, _kept.pop, key, None)
    return _kept[key]


kept = partial(sent, keep=True)


def to_host(values: Any) -> Any:
    """Return values as an array of NumPy; a GPU writes what is large without a copy."""
    if not hasattr(values, "get"):
        return np.asarray(values)
    pinned = values.nbytes >> 20 and importlib.import_module("cupyx").empty_pinned
    return values.get(out=pinned(values.shape, values.dtype) if pinned else None)


def freed(device: str, *, below: float = 1.0) -> None:
    """Give back a device's memory that is not in use, where less than a share of all is free."""
    if device == "cuda":
        cupy = importlib.import_module("cupy")
        free, whole = cupy.cuda.Device().mem_info
        if free <= below * whole:
            _kept.clear()
            cupy.fft.config.clear_plan_cache()
            cupy.get_default_memory_pool().free_all_blocks()


def write(function: str, *values: Any, out: Any) -> None:
    """Write what a function gives into an array, without a copy where that can be."""
    if hasattr(out, _IN_PLACE):
        getattr(np, function)(*values, out=out)
    else:
        made = getattr(namespace(out), function)(*values)
        out[...] = namespace(out).astype(made, out.dtype, copy=False)


def write_where(into: Any, values: Any, where: Any) -> None:
    """Write values into an array where a mask says so."""
    if hasattr(into, _IN_PLACE):
        np.copyto(into, values, where=where)
    else:
        into[...] = namespace(into).where(where, values, into)


def write_at(into: Any, index: tuple[Any, ...], values: Any) -> None:
    """Write values at places, given by an array of integers for each of the first axes."""
    if hasattr(into, _IN_PLACE):
        into[index] = values
    else:  # the standard reads at places, but does not write there
        host = np.array(to_host(into))
        host[tuple(to_host(one) for one in index)] = to_host(values)
        into[...] = namespace(into).asarray(host)


def clip(values: Any, low: Any, high: Any) -> Any:
    """Return values within two limits."""
    return (np if hasattr(values, _IN_PLACE) else namespace(values)).clip(values, low, high)


def take(values: Any, place: Any, *, inside: bool = False) -> Any:
    """Return elements of a flat array, or columns of a table; its ends' where not ``inside``."""
    if isinstance(values, np.ndarray):
        return values.take(place, axis=-1, mode="wrap" if inside else "clip")
    xp, last = namespace(values), values.shape[-1] - 1
    if values.ndim == 1:
        return values[place]
    found = xp.take(values, clip(xp.reshape(place, (-1,)), 0, last), axis=-1)
    return xp.reshape(found, (*values.shape[:-1], *place.shape))


def fft_side(least: int, xp: Any) -> int:
    """Return a fast length of a transform; a GPU, whose plans take long, has few of them."""
    step = 1 << max(least.bit_length() - 3, 0) if xp.__name__.endswith("cupy") else 1
    return int(scipy.fft.next_fast_len(-(-least // step) * step, real=True))


def fft2(values: Any, shape: tuple[int, int] | None = None) -> Any:
    """Return the transform of real values over two axes; with their shape, the way back."""
    xp = namespace(values)
    own, over = scipy.fft if xp is np else xp.fft, {"axes": (-2, -1)}
    return own.rfftn(values, **over) if shape is None else own.irfftn(values, s=shape, **over)


def image_filter(name: str, values: Any, *args: Any, **options: Any) -> Any:
    """Call a filter of ``scipy.ndimage``, or its like on a GPU."""
    xp = namespace(values)
    if xp is np or not hasattr(values, _IN_PLACE):
        return sent(getattr(scipy.ndimage, name)(to_host(values), *args, **options), xp)
    options |= {"brute_force": True} if "iterations" in options else {}  # its only way
    own = getattr(importlib.import_module("cupyx.scipy.ndimage"), name)
    return own(values, *args, **options)
