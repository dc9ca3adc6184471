"""Fusion metrics that need no truth: a result against the frames it was made from.

All take any number of frames from two on. None of them knows the truth, and some rank a frame
handed back unchanged above a perfect merge: show them only next to scores against the truth.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy.typing as npt

from ..record import Metric
from . import edges, information, perception, phase, structure
from .sources import Sources, gather

IDENTITY_EDGE_TRANSFER = 0.9994 / (1.0 + math.exp(-7.5)) * 0.9879 / (1.0 + math.exp(-4.4))


def _fusion(
    name: str, title: str, function: Callable[..., float], reference: str, **facts: Any
) -> Metric:
    usual: dict[str, Any] = {"direction": "higher", "best": 1.0, "range": (-1.0, 1.0)}
    return Metric(
        name=name,
        title=title,
        group="fusion",
        function=function,
        needs=("data_range",),
        reference=reference,
        **(usual | facts),
    )


METRICS = (
    _fusion(
        "edge_transfer",
        "edge transfer Q^AB/F",
        edges.edge_transfer,
        "Xydeas and Petrovic, Electronics Letters 36, 308 (2000)",
        best=IDENTITY_EDGE_TRANSFER,
        range=(0.0, IDENTITY_EDGE_TRANSFER),
    ),
    _fusion(
        "mutual_information",
        "normalised mutual information",
        information.mutual_information,
        "Hossny, Nahavandi and Creighton, Electronics Letters 44, 1066 (2008)",
        best=2.0,
        range=(0.0, 2.0),
    ),
    _fusion(
        "universal_quality",
        "universal quality index",
        structure.universal_quality,
        "Wang and Bovik, IEEE Signal Processing Letters 9, 81 (2002)",
    ),
    _fusion(
        "piella",
        "local quality Q",
        structure.piella,
        "Piella and Heijmans, Proc. Int. Conf. Image Processing III, 173 (2003)",
    ),
    _fusion(
        "piella_weighted",
        "weighted quality Q_W",
        structure.piella_weighted,
        "Piella and Heijmans (2003)",
    ),
    _fusion(
        "piella_edges",
        "edge-dependent quality Q_E",
        structure.piella_edges,
        "Piella and Heijmans (2003)",
    ),
    _fusion("cvejic", "covariance quality", structure.cvejic, "Cvejic et al. (2005)"),
    _fusion(
        "yang",
        "agreement quality",
        structure.yang,
        "Yang et al., Information Fusion 9, 156 (2008)",
    ),
    _fusion(
        "chen_blum",
        "perceived contrast kept",
        perception.chen_blum,
        "Chen and Blum, Image and Vision Computing 27, 1421 (2009)",
        range=(0.0, 1.0),
    ),
    _fusion(
        "phase_congruency",
        "features kept",
        phase.phase_congruency,
        "Zhao, Laganiere and Liu, Int. J. Innovative Computing 3, 1433 (2007)",
    ),
    _fusion(
        "frequency_error",
        "spatial-frequency error",
        edges.frequency_error,
        "Zheng et al., Information Fusion 8, 177 (2007)",
        direction="nearest",
        best=0.0,
        range=(-1.0, math.inf),
    ),
)

_OF_SOURCES: dict[str, Callable[[Sources], float]] = {
    "edge_transfer": edges.edge_transfer_of,
    "mutual_information": information.mutual_information_of,
    "universal_quality": structure.universal_quality_of,
    "piella": structure.piella_of,
    "piella_weighted": structure.piella_weighted_of,
    "piella_edges": structure.piella_edges_of,
    "cvejic": structure.cvejic_of,
    "yang": structure.yang_of,
    "chen_blum": perception.chen_blum_of,
    "phase_congruency": phase.phase_congruency_of,
    "frequency_error": edges.frequency_error_of,
}


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
    wanted = list(_OF_SOURCES) if names is None else list(names)
    unknown = [name for name in wanted if name not in _OF_SOURCES]
    if unknown:
        raise ValueError(
            f"no fusion metric is called {unknown[0]!r}; there are {', '.join(_OF_SOURCES)}"
        )
    sources = gather(fused, frames, data_range=data_range, mask=mask)
    return {name: _OF_SOURCES[name](sources) for name in wanted}


__all__ = ["METRICS", "score_fusion"]
