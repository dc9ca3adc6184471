"""Fusion metrics that need no truth: a result against the frames it was made from.

All take any number of frames from two on. None of them knows the truth, and some rank a frame
handed back unchanged above a perfect merge: show them only next to scores against the truth.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy.typing as npt

from ..record import chosen
from . import edges, information, perception, phase, structure
from .sources import gather

FUSION_METRICS = (
    edges.edge_transfer,
    information.mutual_information,
    structure.universal_quality,
    structure.piella,
    structure.piella_weighted,
    structure.piella_edges,
    structure.cvejic,
    structure.yang,
    perception.chen_blum,
    phase.phase_congruency,
    edges.frequency_error,
)

METRICS = tuple(metric.record for metric in FUSION_METRICS)


def score_fusion(
    fused: npt.ArrayLike,
    frames: Sequence[npt.ArrayLike],
    *,
    data_range: float,
    mask: npt.ArrayLike | None = None,
    names: Iterable[str] | None = None,
) -> dict[str, float]:
    """Score a result against its frames with every truth-free metric, or those named.

    Parameters
    ----------
    fused : array_like (H, W) or (H, W, 3)
    frames : sequence of array_like
        Two or more images of that height and width, lined up with the result.
    data_range : float
        The value of white.
    mask : array_like (H, W) of bool, optional
        Where to score.
    names : iterable of str, optional
        Names out of `METRICS`.

    Returns
    -------
    dict
        Value by metric name.

    Raises
    ------
    ValueError
        A name is unknown, or an image does not fit.
    """
    wanted = chosen(FUSION_METRICS, names)
    sources = gather(fused, frames, data_range=data_range, mask=mask)
    return {metric.record.name: metric.compute(sources) for metric in wanted}


__all__ = ["METRICS", "score_fusion"]
