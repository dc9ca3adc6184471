"""Focus measures: how sharp each pixel's neighbourhood is."""

from __future__ import annotations

from metrics.focus import laplacian
from metrics.focus.measure import Measure

_LAPLACIAN = (
    Measure(
        "lap1", "laplacian", "energy of Laplacian", "Subbarao, Choi and Nikzad 1993",
        laplacian.lap1, 2,
    ),
    Measure(
        "lap2", "laplacian", "modified Laplacian", "Nayar and Nakagawa 1994",
        laplacian.lap2, 1,
    ),
    Measure(
        "lap3", "laplacian", "diagonal Laplacian", "Thelen and others 2009",
        laplacian.lap3, 1,
    ),
    Measure(
        "lap4", "laplacian", "variance of Laplacian", "Pech-Pacheco and others 2000",
        laplacian.lap4, 2,
    ),
    Measure(
        "lap5", "laplacian", "modified Laplacian over three frames", "An and others 2008",
        laplacian.lap5, 1, reach=1,
    ),
)  # fmt: skip

MEASURES = {measure.code: measure for measure in _LAPLACIAN}

__all__ = ["MEASURES", "Measure"]
