"""Every metric by name: the one list that tables, plots and reports go by."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from ..ground.spelling import nearest
from . import depth, frames, fusion, slanted_edge
from .artefacts import artefacts
from .image import image
from .record import Metric
from .registration import colours, gain, registration


def collect(*groups: Iterable[Metric]) -> Mapping[str, Metric]:
    """Metrics by name, read-only; a name used twice is refused.

    Raises
    ------
    ValueError
        Two metrics have one name.
    """
    found: dict[str, Metric] = {}
    for metric in (metric for group in groups for metric in group):
        if metric.name in found:
            raise ValueError(f"metric name {metric.name!r} is used twice")
        found[metric.name] = metric
    return MappingProxyType(found)


METRICS = collect(
    image.METRICS,
    depth.METRICS,
    artefacts.METRICS,
    slanted_edge.METRICS,
    registration.METRICS,
    gain.METRICS,
    colours.METRICS,
    frames.METRICS,
    fusion.METRICS,
)


def metric(name: str) -> Metric:
    """Find the metric of that name.

    Parameters
    ----------
    name : str
        As ``stacktruth list metrics`` has it.

    Raises
    ------
    ValueError
        There is none.

    Examples
    --------
    >>> metric("psnr_db").unit, metric("psnr_db").direction
    ('dB', 'higher')
    """
    if name not in METRICS:
        listed = ", ".join(METRICS)
        raise ValueError(
            f"no metric is called {name!r}{nearest(name, METRICS)}; there are {listed}"
        )
    return METRICS[name]
