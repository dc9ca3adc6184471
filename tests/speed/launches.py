"""How many array operations a frame takes: ``python tests/speed/launches.py``.

On a GPU each of them begins for some microseconds, so that scenes of many small parts take as long
as they have operations. They are counted in the namespace that has the array API standard alone,
which has the same path as a GPU; what the host does of small parts is not counted, nor are views of
arrays. What writes in place counts as two there, which a GPU does as one.
"""

from __future__ import annotations

import argparse
import functools
import sys
from collections import Counter
from collections.abc import Callable
from typing import Any

import array_api_strict as strict

from stacktruth.ground.chunks import AT_ONCE, SMALL, TILES_PX
from stacktruth.simulator import load_rig, load_scene, render_view
from stacktruth.simulator.compositing import render as rendering

STRICT = "array_api_strict"
SCENES = ["spider-eyes:1", "feather-and-down:1", "petal-edge:1", "moss-and-lichen:1", "leaf:1"]
#: What makes no array, or a view of one.
_VIEWS = {
    "broadcast_arrays",
    "broadcast_to",
    "expand_dims",
    "moveaxis",
    "permute_dims",
    "reshape",
    "result_type",
    "finfo",
    "iinfo",
    "can_cast",
    "isdtype",
}
_WAYS = "add sub mul truediv floordiv mod pow and or xor lshift rshift matmul"
_DUNDERS = [f"__{kind}{way}__" for way in _WAYS.split() for kind in ("", "i", "r")]
_DUNDERS += ["__neg__", "__abs__", "__invert__", "__lt__", "__le__", "__gt__", "__ge__"]
_DUNDERS += ["__eq__", "__ne__", "__setitem__"]


class Counted:
    """Counts calls, but not those within another that is counted."""

    def __init__(self) -> None:
        self.calls: Counter[str] = Counter()
        self._within = False

    def wrap(self, owner: Any, name: str) -> None:
        """Count the calls of a function of a module or a class."""
        own: Callable[..., Any] = getattr(owner, name)

        @functools.wraps(own)
        def counting(*values: Any, **options: Any) -> Any:
            if self._within:
                return own(*values, **options)
            self.calls[name] += 1
            self._within = True
            try:
                return own(*values, **options)
            finally:
                self._within = False

        setattr(owner, name, counting)


def counted() -> Counted:
    """Count all operations of the strict namespace from now on."""
    found = Counted()
    for module in (strict, strict.fft, strict.linalg):
        for name in getattr(module, "__all__", []):
            one = getattr(module, name)
            if (
                callable(one)
                and not isinstance(one, type)
                and name not in _VIEWS
                and name[0] != "_"
            ):
                found.wrap(module, name)
    array = type(strict.zeros(1))
    for name in _DUNDERS:
        if hasattr(array, name):
            found.wrap(array, name)
    return found


def main() -> None:
    """Print the operations of a frame of each scene."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("scenes", nargs="*", default=SCENES)
    parser.add_argument("--crop", type=int, nargs=2, default=(192, 128), help="pixels")
    parser.add_argument("--bin", type=int, help="real pixels merged; the whole sensor unless given")
    parser.add_argument("--quality", default="fast")
    asked = parser.parse_args()
    # As on a GPU, small parts are seen on the host, and what is large is worked on at once.
    SMALL[STRICT], TILES_PX[STRICT] = SMALL["cuda"], TILES_PX["cuda"]
    AT_ONCE[STRICT] = AT_ONCE["cupy"]
    rendering.checked_device = lambda name: name
    counts = counted()
    for name in asked.scenes:
        scene = load_scene(name)
        rig = load_rig(scene.rig)
        bin = asked.bin or rig.sensor.width_px // asked.crop[0]
        crop = (asked.crop[0] * bin, asked.crop[1] * bin)
        counts.calls.clear()
        render_view(scene, rig, crop=crop, bin=bin, quality=asked.quality, device=STRICT)
        most = ", ".join(f"{one} {count}" for one, count in counts.calls.most_common(8))
        print(f"{name}: {counts.calls.total()} operations ({most})")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
