"""The parts of the viewer as the page's template takes them, and their drafts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from .viewer_crops import Crop
from .viewer_images import Pixels, data_address, framed, scale_bar, shrunk

#: No whole picture or map is wider than this on the page, px.
OVERVIEW_PX = 384
OVERVIEW_QUALITY = 90
#: Difference of a channel at the end of the error scale, share of white.
ERROR_TOP = 0.2
#: Steps of that scale: error maps are noisy.
ERROR_STEPS = 32
ERROR_COLOURS, DEPTH_COLOURS = "magma", "viridis_r"


@dataclass(frozen=True, kw_only=True, eq=False)
class PageFigure:
    """A picture with its label.

    Parameters
    ----------
    label : str
        Short, as in a list to choose from.
    words : str
        For those who can't see it.
    width, height : int
        Pixels.
    source : str
        ``data:`` address.
    """

    label: str
    words: str
    width: int
    height: int
    source: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Scale:
    """What the colours of a map mean.

    Parameters
    ----------
    title, words : str
    source : str
        ``data:`` address of the bar, low end on the left.
    ticks : sequence of str
        Evenly spread from end to end, the unit with the last.
    """

    title: str
    words: str
    source: str
    ticks: Sequence[str]


@dataclass(frozen=True, kw_only=True, eq=False)
class CropSet:
    """One crop of all pictures of a scene, in the same order for every crop."""

    heading: str
    figures: Sequence[PageFigure]


@dataclass(frozen=True, kw_only=True, eq=False)
class SceneView:
    """All pictures of one stack."""

    heading: str
    shoot: str
    notes: Sequence[str]
    overview: Sequence[PageFigure]
    crops: Sequence[CropSet]
    depths: Sequence[PageFigure]
    error_scale: Scale
    depth_scale: Scale


@dataclass(frozen=True, kw_only=True, eq=False)
class Viewer:
    """All scenes of a benchmark that have pictures, and words on how and what is missing."""

    scenes: Sequence[SceneView]
    notes: Sequence[str]


@dataclass(frozen=True, kw_only=True, eq=False)
class Sketch:
    """A picture before it is put into a file."""

    label: str
    words: str
    pixels: Pixels
    is_map: bool = False

    def figure(self, quality: int | None = None) -> PageFigure:
        """Return it as the page shows it; a map is never stored with loss."""
        return self._lossless if quality is None or self.is_map else self._stored(quality)

    @cached_property
    def _lossless(self) -> PageFigure:
        return self._stored(None)

    def _stored(self, quality: int | None) -> PageFigure:
        height, width = self.pixels.shape[:2]
        source = data_address(self.pixels, quality=quality)
        return PageFigure(
            label=self.label, words=self.words, width=width, height=height, source=source
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Draft:
    """A scene's pictures before the page's size decides how many there are."""

    heading: str
    shoot: str
    notes: Sequence[str]
    whole: Pixels
    crops: Sequence[Crop]
    hardest: Sketch
    cuts: Sequence[tuple[str, Sequence[Sketch]]]
    depths: Sequence[Sketch]
    depth_ends: tuple[float, float]

    def view(self, *, crops: int | None = None, quality: int | None = None) -> SceneView:
        """Return it with this many crops (None: all), in this quality (None: no loss)."""
        return SceneView(
            heading=self.heading,
            shoot=self.shoot,
            notes=self.notes,
            overview=[self._framed(crops).figure(OVERVIEW_QUALITY), self.hardest.figure()],
            crops=[
                CropSet(heading=heading, figures=[sketch.figure(quality) for sketch in sketches])
                for heading, sketches in self.cuts[:crops]
            ],
            depths=[sketch.figure() for sketch in self.depths],
            error_scale=_error_scale(),
            depth_scale=_depth_scale(*self.depth_ends),
        )

    def _framed(self, crops: int | None) -> Sketch:
        """Return the whole scene with frames about its crops."""
        shown = self.crops[:crops]
        small = shrunk(self.whole, OVERVIEW_PX, smooth=True)
        return Sketch(
            label="the ideal picture and its crops",
            words=f"{self.heading}, all in focus, with numbered frames about {len(shown)} crops",
            pixels=framed(small, shown, scale=small.shape[1] / self.whole.shape[1]),
        )


def _error_scale() -> Scale:
    steps = np.linspace(0, 100 * ERROR_TOP, 5)
    return Scale(
        title="Error: largest difference of a colour channel from the ideal, % of white; "
        "grey: not judged or not seen",
        words=f"Colour scale of the error maps, from 0 to {100 * ERROR_TOP:.0f} % of white",
        source=data_address(scale_bar(ERROR_COLOURS, steps=ERROR_STEPS)),
        ticks=[*(f"{step:.0f}" for step in steps[:-1]), f"{steps[-1]:.0f} % or more"],
    )


def _depth_scale(low: float, high: float) -> Scale:
    steps = np.linspace(low, high, 5)
    return Scale(
        title="Depth along the optical axis, mm, near to far; one scale for all maps of "
        "the scene; grey: no depth",
        words=f"Colour scale of the depth maps, from {low:.2f} to {high:.2f} mm",
        source=data_address(scale_bar(DEPTH_COLOURS)),
        ticks=[*(f"{step:.2f}" for step in steps[:-1]), f"{steps[-1]:.2f} mm"],
    )
