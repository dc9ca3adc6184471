"""Time of all focus operators on one stack of 640x480x25: ``python tests/speed/operators.py``.

Each operator streams over the whole stack in a window of 9 px, on one thread; fastest first.
"""

from __future__ import annotations

import argparse

from stacktruth.runners.reproduce.operators import speeds


def main() -> None:
    """Print milliseconds a frame, and for the whole stack in seconds."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--frames", type=int, default=25)
    asked = parser.parse_args()
    spent = speeds(frames=asked.frames)
    for code, each_ms in sorted(spent.items(), key=lambda item: item[1]):
        print(f"{code}  {each_ms:8.1f} ms a frame  {each_ms * asked.frames / 1e3:7.2f} s")
    print(f"{len(spent)} operators, {sum(spent.values()) * asked.frames / 1e3:.0f} s in all")


if __name__ == "__main__":
    main()
