"""CPU time against a path tracer at equal error: ``python tests/speed/against_path_tracer.py``.

Each case is rendered here (diffraction off) and by Mitsuba's ``thinlens``; errors are rms
differences to the stored, converged reference, light above white cut off. Mitsuba's samples are
raised until its error is ours; its compilation and the loading of the mesh are not counted, ours
are the second rendering and on. The geometry is a mesh there and formulas here, so all of our
looking-up of textures and relief is counted in.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "references"))

from outside_cases import FOLDER, LEVELS, Case, cases, our_picture
from path_tracer import Tracer
from stored import load

#: One of each kind: a gentle relief, one that hides itself, hairs, and a bar in focus.
CASES = ("relief", "dome", "hairs", "sharp-bar")
#: It compiles for the processor; with some versions of LLVM it does not run.
VARIANT = "llvm_ad_rgb"


def cpu_s(work: Callable[[], np.ndarray]) -> tuple[float, np.ndarray]:
    """Return the CPU time of one call over all threads, and what it gave."""
    start = time.process_time()
    made = work()
    return time.process_time() - start, made


def rms(picture: np.ndarray, reference: np.ndarray) -> float:
    """Return the rms difference, light above white cut off."""
    return float(np.sqrt(np.mean(np.square(np.minimum(picture, 1) - np.minimum(reference, 1)))))


def ours(case: Case, reference: np.ndarray, level: str) -> tuple[float, float]:
    """Return CPU time and error of our rendering."""

    def work() -> np.ndarray:
        return our_picture(case, **LEVELS[level])

    work()
    runs = [cpu_s(work) for _ in range(7)]
    return min(seconds for seconds, _ in runs), rms(runs[0][1], reference)


def theirs(
    case: Case, reference: np.ndarray, wanted: float, variant: str
) -> tuple[float, float, int]:
    """Return CPU time, error and samples per pixel with which Mitsuba is as good as wanted."""
    tracer = Tracer(case, variant=variant)
    side = 4
    while True:
        samples = side * side  # what the sampler stratifies best
        found = []
        for seed in range(4):
            seconds, picture = cpu_s(
                lambda: tracer.picture(samples=samples, seed=seed + 1)  # noqa: B023 - at once
            )
            found.append((seconds, rms(picture, reference)))
        seconds = min(pair[0] for pair in found[1:])
        error = float(np.mean([pair[1] for pair in found]))
        if error <= wanted or samples >= 4096:
            return seconds, error, samples
        side = round(side * 2**0.5)


def ratio(name: str, level: str = "fast", variant: str = VARIANT) -> float:
    """Return how many times our CPU time a path tracer takes for our error; tell of both."""
    case = cases()[name]
    reference = load(FOLDER / f"{name}.npz").mean
    seconds, error = ours(case, reference, level)
    other, other_error, samples = theirs(case, reference, error, variant)
    # The error falls as the root of the samples, or faster: this is not in our favour.
    needed = other * min(1.0, (other_error / error) ** 2)
    print(
        f"{name}, {level}: {seconds * 1e3:.0f} ms for rms {error:.2e}; Mitsuba ({variant}) "
        f"{other * 1e3:.0f} ms for {other_error:.2e} with {samples} samples; "
        f"ratio {needed / seconds:.1f}",
        flush=True,
    )
    return needed / seconds


def main() -> None:
    """Print the ratio for each case."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("names", nargs="*", default=list(CASES))
    parser.add_argument("--quality", default="fast", choices=list(LEVELS))
    parser.add_argument("--variant", default=VARIANT, help="or scalar_rgb, without LLVM")
    asked = parser.parse_args()
    for name in asked.names:
        ratio(name, asked.quality, asked.variant)


if __name__ == "__main__":
    main()
