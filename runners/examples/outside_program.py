"""A tiny outside program: each pixel from the frame with the most local contrast, unaligned.

Called as ``python outside_program.py OUTPUT FRAME FRAME ...``. It knows nothing of this project
and stands for any program with a command line.
"""

import sys

import numpy as np
import tifffile
from scipy import ndimage


def merge(paths: list[str]) -> np.ndarray:
    """Return the merged picture, keeping two frames in memory."""
    merged = tifffile.imread(paths[0])
    best = np.full(merged.shape[:2], -1.0)
    for path in paths:
        frame = tifffile.imread(path)
        grey = frame.mean(axis=2, dtype=np.float32)
        contrast = ndimage.gaussian_filter(ndimage.laplace(grey) ** 2, 4)
        sharper = contrast > best
        best[sharper], merged[sharper] = contrast[sharper], frame[sharper]
    return merged


if __name__ == "__main__":
    output, *frames = sys.argv[1:]
    tifffile.imwrite(output, merge(frames), photometric="rgb")
