"""Remake the outside renderer's pictures: ``python tests/references/remake_mitsuba.py [NAME]...``.

Each case of ``mitsuba/cases.toml`` and ``clear.toml`` is exported as a mesh, loaded by Mitsuba 3
and rendered twice through its ``thinlens`` sensor, with seeds that share nothing; pictures go to
``mitsuba/NAME.npz`` and what they were made with to ``mitsuba/provenance.json``. The llvm variant
needs LLVM's shared library, version 16 or later (Debian: libllvm19; ``DRJIT_LIBLLVM_PATH`` says
where it is); the scalar variant gives the same pictures more slowly (``--variant scalar_rgb``), but
Mitsuba 3.9.1 crashes with it where light comes through surfaces.
"""

from __future__ import annotations

import argparse
import json
from datetime import UTC, datetime

import numpy as np
from outside_cases import FOLDER, cases, clear_cases, gloss_cases, mesh_cases
from path_tracer import Reference, Tracer
from stored import save


def noise_rms(reference: Reference) -> float:
    """Return the standard error of the mean of both pictures, light above white cut off."""
    first, second = (np.minimum(one, 1) for one in (reference.first, reference.second))
    return float(np.sqrt(np.mean(np.square(first - second))) / 2)


def main() -> None:
    """Remake the named references, or all."""
    import mitsuba as mi

    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("names", nargs="*", metavar="NAME")
    parser.add_argument("--samples", type=int, default=2048, help="per pixel of each picture")
    parser.add_argument("--variant", default="llvm_ad_rgb")
    asked = parser.parse_args()
    record = FOLDER / "provenance.json"
    made = json.loads(record.read_text(encoding="utf-8")) if record.exists() else {}
    found = cases() | gloss_cases() | mesh_cases() | clear_cases()
    for name in asked.names or found:
        tracer = Tracer(found[name], variant=asked.variant)
        reference = tracer.reference(samples=asked.samples)
        save(FOLDER / f"{name}.npz", reference)
        noise = noise_rms(reference)
        made[name] = {
            "renderer": f"mitsuba {mi.__version__}",
            "variant": asked.variant,
            "samples_per_px": f"2 x {asked.samples}",
            "noise_rms": float(f"{noise:.2g}"),
            "date": datetime.now(UTC).date().isoformat(),
            "command": f"python tests/references/remake_mitsuba.py {name} "
            f"--samples {asked.samples} --variant {asked.variant}",
        }
        record.write_text(json.dumps(made, indent=2) + "\n", encoding="utf-8")
        print(f"{name}: noise {noise:.1e} rms ({-20 * np.log10(noise):.1f} dB)", flush=True)


if __name__ == "__main__":
    main()
