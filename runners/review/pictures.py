"""Pictures of a review: where it is sharp, which depths are held, and the frames in a row."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from ...ground.srgb import clipped_srgb
from ...ground.types import Codes, Floats, Image
from ..calibrate.burst import Burst
from ..html_pictures import as_jpeg
from ..methods.picture.stack import binned
from ..methods.picture.tone import to_light
from .gaps import BEFORE, BEHIND, GAP, SHARP
from .review import Review

#: Colours of different lightness, so that colour-blind people can tell them apart.
INK, SOFT, HOLD, LOST, MISSING, BEYOND_ENDS = (
    "#222222",
    "#8a8a8a",
    "#2f6690",
    "#bdbdbd",
    "#c8442f",
    "#d98c1f",
)
#: Width of a picture and of a small one, px.
_WIDE, _SMALL = 900, 260
#: Width of a figure, inches: small, so that its letters can be read on a phone.
_INCHES = 5.4


def parts_figure(review: Review, burst: Burst) -> Figure:
    """Draw the reference frame with the parts that no frame shows sharp laid over it."""
    picture = small_picture(burst, review.reference, wide=_WIDE)
    rows, cols = review.grid.cells
    state = review.held.state.reshape(rows, cols)
    shown = np.zeros((rows, cols, 4))
    for value, ink, alpha in (
        (SHARP, HOLD, 0.25),
        (GAP, MISSING, 0.6),
        (BEFORE, BEYOND_ENDS, 0.45),
        (BEHIND, BEYOND_ENDS, 0.45),
    ):
        shown[state == value] = to_rgba(ink, alpha)
    high = _INCHES * picture.shape[0] / picture.shape[1]
    figure = Figure(figsize=(_INCHES, high + 0.5), layout="constrained")
    axes = figure.subplots()
    axes.imshow(picture, extent=(0, cols, rows, 0), aspect="equal", cmap="gray")
    axes.imshow(shown, extent=(0, cols, rows, 0), aspect="equal", interpolation="nearest")
    axes.set_axis_off()
    legend = [(MISSING, "in a gap"), (BEYOND_ENDS, "beyond the ends"), (HOLD, "sharp in a frame")]
    figure.legend(
        handles=[Patch(color=ink, label=name) for ink, name in legend],
        loc="outside lower center",
        ncols=3,
        frameon=False,
        columnspacing=1.0,
    )
    return figure


def depths_figure(review: Review) -> Figure:
    """Draw which frame holds which depth, and where the subject lies."""
    placed = [
        (number, frame) for number, frame in enumerate(review.frames, 1) if frame.place is not None
    ]
    figure = Figure(figsize=(_INCHES, 4.2), layout="constrained")
    left, right = figure.subplots(1, 2, sharey=True, width_ratios=(4, 1))
    lane = review.lane
    for number, frame in placed:
        assert frame.focus_mm is not None
        ink = LOST if frame.state != "ok" else HOLD
        left.bar(number, lane.total_mm, bottom=frame.focus_mm - lane.near_mm, width=0.8, color=ink)
        if frame.keep:
            left.plot(number, frame.focus_mm, "o", color="white", ms=4, mec=INK, mew=0.6)
    for gap in review.held.gaps:
        if gap.inner:
            for axes in (left, right):
                axes.axhspan(gap.near_mm, gap.far_mm, color=MISSING, alpha=0.35, lw=0)
    _subject(right, review)
    planes = [frame.focus_mm for _, frame in placed if frame.focus_mm is not None]
    margin = 2 * lane.total_mm
    left.set_ylim(max(planes) + margin, min(planes) - margin)
    left.set_ylabel("depth, mm (far is down)")
    left.set_xlabel("frame, in the order of shooting")
    left.xaxis.set_major_locator(MaxNLocator(integer=True))
    left.set_title("Held by each frame (dot: keep; red: gap)", loc="left", fontsize=10)
    right.set_title("Subject", loc="left", fontsize=10)
    right.set_xticks([])
    return figure


def _subject(axes: Axes, review: Review) -> None:
    """Draw how much of the picture lies at which depth, as far as it can be judged."""
    told = review.held.state > 0
    depths = review.cell_mm[told & np.isfinite(review.cell_mm)]
    if depths.size:
        width = review.lane.total_mm / 3
        low, high = float(depths.min()), float(depths.max())
        edges = np.arange(low, high + 2 * width, width)
        counts, edges = np.histogram(depths, edges)
        axes.barh((edges[1:] + edges[:-1]) / 2, counts, height=0.9 * width, color=SOFT, lw=0)


def frames_in_a_row(review: Review, burst: Burst) -> Iterator[tuple[str, str, str]]:
    """Yield each frame small, in order of depth: its picture, its name, and what is said of it."""
    numbered = list(enumerate(review.frames))
    numbered.sort(key=lambda pair: (pair[1].place is None, pair[1].place or 0))
    for number, frame in numbered:
        words = frame.name
        what = "keep" if frame.keep else "" if frame.state == "ok" else frame.state
        yield as_jpeg(small_picture(burst, number, wide=_SMALL)), words, what


def small_picture(burst: Burst, number: int, *, wide: int) -> Codes:
    """Return a frame merged to about a width, as 8-bit sRGB."""
    image: Image = np.asarray(burst.frames[number])
    size = max(1, round(image.shape[1] / wide))
    light: Floats = binned(to_light(image, linear=burst.linear), size)
    return np.asarray(np.rint(255 * clipped_srgb(light)), dtype=np.uint8)
