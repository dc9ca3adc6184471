"""Cost of rendering as a multiple of a Fourier convolution: ``python tests/speed/render_speed.py``.

One noise-free frame of a scene, one megapixel at the real pixel pitch, against one convolution of
four float32 layers of the same size by real FFTs (forward, product, back). Both in one process, on
one thread, in turn. The ratio is that of the least CPU times: what else runs only adds to them.
Aim: at most 25 convolutions for sticky-leaf at the fast level; `levels.py` has the others.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable

import numpy as np
from timing import cpu_s

from stacktruth.ground.arrays import fft2, namespace_on, sent, to_host
from stacktruth.simulator import load_rig, load_scene, render_view


def convolution(size: tuple[int, int], device: str = "cpu") -> Callable[[], object]:
    """Return a convolution of four layers of that size (rows, columns), done when it returns."""
    layers = sent(np.random.default_rng(1).random((4, *size), np.float32), namespace_on(device))
    kernel = fft2(layers[0])

    def convolve() -> object:
        made = fft2(fft2(layers) * kernel, size)
        return to_host(made[0, 0, 0])

    return convolve


def main() -> None:
    """Print the cost of each scene."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("scenes", nargs="*", default=["sticky-leaf", "snail-shell", "pickets"])
    parser.add_argument("--side", type=int, default=1024, help="pixels per side")
    parser.add_argument("--bin", type=int, default=1, help="real pixels merged per side")
    parser.add_argument("--quality", default="fast", help="level that frames are rendered at")
    parser.add_argument("--rounds", type=int, default=5)
    asked = parser.parse_args()
    size = (asked.side, asked.side)
    unit = convolution(size)
    unit()
    print(f"one convolution of 4 layers {size[0]}x{size[1]}: {cpu_s(unit) * 1e3:.0f} ms CPU")
    for name in asked.scenes:
        scene = load_scene(name)
        rig = load_rig(scene.rig)
        crop = (min(asked.side * asked.bin, rig.sensor.width_px),) * 2
        crop = (crop[0], min(crop[1], rig.sensor.height_px))

        def frame() -> object:
            asked_for = {"crop": crop, "bin": asked.bin, "quality": asked.quality}  # noqa: B023
            return render_view(scene, rig, **asked_for)  # noqa: B023 - called at once

        first = cpu_s(frame)
        rounds = [(cpu_s(frame), min(cpu_s(unit) for _ in range(3))) for _ in range(asked.rounds)]
        frames, units = np.array(rounds).T
        share = crop[0] * crop[1] / asked.bin**2 / (size[0] * size[1])
        print(
            f"{name}: {frames.min() / units.min() / share:.1f} convolutions a frame "
            f"(median {np.median(frames / units) / share:.1f}); first frame {first:.1f} s"
        )


if __name__ == "__main__":
    main()
