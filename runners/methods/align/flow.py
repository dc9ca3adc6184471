"""Dense alignment: what a plane transform leaves over, by optical flow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import ndimage
from skimage.registration import optical_flow_ilk, optical_flow_tvl1

from ....ground.types import Floats
from ..picture.geometry import Coordinates, enlarged, for_binned, resample
from ..picture.stack import InputStack
from .align import Alignment, AlignStage, chained
from .register import band_pass

KINDS = ("ilk", "tvl1")
# Parallax inside a burst is a few pixels; more is a mistake of the flow.
LIMIT_PX = 6.0
_RADIUS = 15
_SMOOTH = 6.0


def residual_flow(
    stack: InputStack,
    frames: Sequence[int],
    *,
    reference: int | None = None,
    base: AlignStage = chained,
    kind: str = "ilk",
) -> Alignment:
    """Align by a plane transform, then let every part of the picture move a little more.

    Meant for the parallax of relief. The flow is found on the small copies, each frame against
    the reference, and smoothed.

    Parameters
    ----------
    reference : int, optional
        As for `chained`.
    base : callable
        Align stage that comes first.
    kind : {"ilk", "tvl1"}
        Iterative Lucas-Kanade (Le Besnerais and Champagnat 2005) or TV-L1 (Zach, Pock and
        Bischof 2007), as in scikit-image.

    Raises
    ------
    ValueError
        Unknown kind.
    """
    if kind not in KINDS:
        raise ValueError(f"kind is {kind!r}, allowed: {', '.join(KINDS)}")
    plane = base(stack, frames, reference=reference)
    flows = {
        frame: _flow(stack, plane, frame, kind) for frame in plane.used if frame != plane.reference
    }

    def places(frame: int) -> Coordinates:
        """Return (row, column) in a frame of every reference pixel."""
        rows, columns = (axis.astype(float) for axis in np.indices(stack.shape))
        if frame in flows:
            down, right = (_enlarged(part, stack) for part in flows[frame])
            rows, columns = rows + down, columns + right
        x, y, depth = (row[0] * columns + row[1] * rows + row[2] for row in plane.matrices[frame])
        return np.stack([y / depth, x / depth], axis=-1).astype(np.float32)

    return replace(plane, places=places)


def _flow(stack: InputStack, plane: Alignment, frame: int, kind: str) -> Floats:
    """Return how far each reference pixel must look further (down, right), proxy px."""
    matrix = for_binned(plane.matrices[frame], stack.proxy_bin)
    reference = _normalised(stack.small(plane.reference).luma)
    moving = _normalised(resample(stack.small(frame).luma, matrix))
    if kind == "ilk":
        flow = optical_flow_ilk(reference, moving, radius=_RADIUS, num_warp=5, gaussian=True)
    else:
        flow = optical_flow_tvl1(reference, moving, attachment=5, num_warp=3)
    limit = LIMIT_PX / stack.proxy_bin
    smooth = [ndimage.gaussian_filter(np.clip(part, -limit, limit), _SMOOTH) for part in flow]
    return np.stack(smooth).astype(np.float32)


def _normalised(luma: Floats) -> Floats:
    band = band_pass(luma)
    return np.asarray(band / (band.std() + np.float32(1e-6)))


def _enlarged(part: Floats, stack: InputStack) -> Floats:
    """Bring a flow of the small copies to full pixels."""
    size = stack.proxy_bin
    return part if size == 1 else enlarged(part, size, stack.shape) * np.float32(size)
