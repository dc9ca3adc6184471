"""Focus measures: how sharp each pixel's neighbourhood is.

``MEASURES["lap2"](image, window=9)`` gives the focus map of a frame or of a stack of frames. The
keys are the operator codes of Pertuz, Puig and Garcia, Pattern Recognition 46, 1415 (2013), in
lower case; each family has a file.
"""

from __future__ import annotations

from . import dct, gradient, laplacian, miscellaneous, statistics, wavelet
from .measure import Measure

FAMILIES = (gradient, laplacian, wavelet, statistics, dct, miscellaneous)

MEASURES: dict[str, Measure] = {
    measure.code: measure for family in FAMILIES for measure in family.MEASURES
}

__all__ = ["MEASURES", "Measure"]
