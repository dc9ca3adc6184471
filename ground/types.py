"""Names for arrays by the type of their values: one meaning each, in all packages.

An alias says nothing of the shape; docstrings do, as ``(rows, cols)`` or ``(rows, cols, 3)``.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import numpy.typing as npt

#: Single precision: pictures, maps, coordinates of many points.
Floats = npt.NDArray[np.float32]
#: Double precision: optics, statistics, courses over time.
Doubles = npt.NDArray[np.float64]
#: Single or double precision, whichever was given.
Reals = npt.NDArray[np.floating]
#: Yes or no for each element: masks of a picture, and choices among other things.
Bools = npt.NDArray[np.bool_]
#: Places in another array.
Indices = npt.NDArray[np.intp]
#: Number of the frame chosen for each pixel, and the like.
Labels = npt.NDArray[np.int16]
#: Coefficients with a phase.
Complexes = npt.NDArray[np.complex64]
#: Values of a written picture.
Codes = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]
#: What pictures may be worked out on.
Device = Literal["cpu", "cuda"]
#: A picture of any type, as a file holds it.
Image = npt.NDArray[Any]
