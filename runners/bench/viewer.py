"""The comparison viewer's pictures: for each scene crops at 1:1, overviews and depth maps.

What a reader sees without a script, side by side, is all there is; the page's script only lays
two of the pictures over each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from runners.bench.cells import PLAIN, Cell, by_stack
from runners.bench.store import Store
from runners.bench.viewer_crops import Crop, best_crops, disagreement, hardest
from runners.bench.viewer_images import (
    Pixels,
    coloured,
    data_address,
    framed,
    pixels_of,
    scale_bar,
    shrunk,
)
from runners.bench.viewer_results import Shown, StackShown, stack_shown

Floats = npt.NDArray[np.float32]

#: Bytes that all pictures of a page may take, as text; the page itself stays below 15 MB.
BUDGET_BYTES = 12_000_000
#: Rows and columns of a crop, and the most it takes of a small picture's side: so there is room
#: for another wherever it lies.
CROP = (144, 192)
_MOST = 0.5
#: Crops of a scene: where methods differ most, where all fail, where methods differ elsewhere.
_CROPS = 3
_OVERVIEW_PX = 384
#: Colour difference at the end of the error scale, share of white.
ERROR_TOP = 0.2
_ERROR_COLOURS, _DEPTH_COLOURS = "magma", "viridis_r"
#: Of pictures stored with loss, where not even one crop a scene has room otherwise.
_LOSSY = 85


@dataclass(frozen=True, kw_only=True, eq=False)
class Figure:
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
    figures: Sequence[Figure]


@dataclass(frozen=True, kw_only=True, eq=False)
class SceneView:
    """All pictures of one stack."""

    heading: str
    shoot: str
    notes: Sequence[str]
    overview: Sequence[Figure]
    crops: Sequence[CropSet]
    depths: Sequence[Figure]
    error_scale: Scale
    depth_scale: Scale


@dataclass(frozen=True, kw_only=True, eq=False)
class Viewer:
    """All scenes of a benchmark that have pictures, and words on how and what is missing."""

    scenes: Sequence[SceneView]
    notes: Sequence[str]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Sketch:
    """A picture before it is put into a file."""

    label: str
    words: str
    pixels: Pixels
    is_map: bool = False

    def figure(self, quality: int | None = None) -> Figure:
        """Return it as it stands in the page; a map is never stored with loss."""
        return self._lossless if quality is None or self.is_map else self._stored(quality)

    @cached_property
    def _lossless(self) -> Figure:
        return self._stored(None)

    def _stored(self, quality: int | None) -> Figure:
        height, width = self.pixels.shape[:2]
        source = data_address(self.pixels, quality=quality)
        return Figure(label=self.label, words=self.words, width=width, height=height, source=source)


@dataclass(frozen=True, kw_only=True, eq=False)
class Draft:
    """A scene's pictures before the page's size decides how many there are."""

    heading: str
    shoot: str
    notes: Sequence[str]
    whole: Pixels
    crops: Sequence[Crop]
    hardest: _Sketch
    cuts: Sequence[tuple[str, Sequence[_Sketch]]]
    depths: Sequence[_Sketch]
    depth_ends: tuple[float, float]

    def view(self, *, crops: int | None = None, quality: int | None = None) -> SceneView:
        """Return it with so many crops (None: all), in this quality (None: no loss)."""
        return SceneView(
            heading=self.heading,
            shoot=self.shoot,
            notes=self.notes,
            overview=[self._framed(crops).figure(), self.hardest.figure()],
            crops=[
                CropSet(heading=heading, figures=[sketch.figure(quality) for sketch in sketches])
                for heading, sketches in self.cuts[:crops]
            ],
            depths=[sketch.figure() for sketch in self.depths],
            error_scale=_error_scale(),
            depth_scale=_depth_scale(*self.depth_ends),
        )

    def _framed(self, crops: int | None) -> _Sketch:
        """Return the whole scene with frames about its crops."""
        shown = self.crops[:crops]
        small = shrunk(self.whole, _OVERVIEW_PX, smooth=True)
        return _Sketch(
            label="the ideal picture and its crops",
            words=f"{self.heading}, all in focus, with numbered frames about {len(shown)} crops",
            pixels=framed(small, shown, scale=small.shape[1] / self.whole.shape[1]),
        )


def viewer(store: Store, cells: Sequence[Cell], *, budget_bytes: int = BUDGET_BYTES) -> Viewer:
    """Return the pictures of the first plain stack of each scene, as many as there is room for.

    Parameters
    ----------
    store : Store
    cells : sequence of Cell
        Of the whole suite.
    budget_bytes : int
        What the pictures may take together, as text.
    """
    drafts, gone = [], []
    for scene, of_stack in _first_plain(cells).items():
        shown = stack_shown(store, of_stack)
        if shown is None:
            gone.append(scene)
        else:
            drafts.append(draft(shown))
    made = fitted(drafts, budget_bytes=budget_bytes)
    if not gone:
        return made
    missing = (
        f"No pictures of {', '.join(gone)} are in the benchmark's folder (any more); a page "
        "that is made where the benchmark ran, before outputs are deleted, shows them."
    )
    return Viewer(scenes=made.scenes, notes=[missing, *made.notes])


def fitted(drafts: Sequence[Draft], *, budget_bytes: int) -> Viewer:
    """Return as many crops of each scene as there is room for; what is left out is told."""
    stored = "without loss"
    for crops in range(_CROPS, 0, -1):
        scenes = [item.view(crops=crops) for item in drafts]
        if sum(map(_bytes, scenes)) <= budget_bytes:
            break
    else:
        scenes = [item.view(crops=1, quality=_LOSSY) for item in drafts]
        stored = f"with loss (quality {_LOSSY})"
    left_out: list[str] = []
    while sum(map(_bytes, scenes)) > budget_bytes:
        left_out.insert(0, scenes.pop().heading)
    notes = []
    if scenes:
        notes.append(
            f"Pictures are WebP files in 8-bit sRGB; crops are stored {stored} and shown pixel "
            "for pixel, maps without loss."
        )
    if left_out:
        notes.append(f"So that the page stays small, it has no pictures of {', '.join(left_out)}.")
    return Viewer(scenes=scenes, notes=notes)


def _first_plain(cells: Sequence[Cell]) -> dict[str, Sequence[Cell]]:
    """Return each scene's first stack that no condition makes worse."""
    found: dict[str, Sequence[Cell]] = {}
    for of_stack in by_stack(cells).values():
        spec = of_stack[0].stack
        if spec.condition == PLAIN:
            found.setdefault(spec.plan.scene.name, of_stack)
    return found


def _bytes(scene: SceneView) -> int:
    """Return what a scene's pictures take."""
    crops = [figure for crop in scene.crops for figure in crop.figures]
    return sum(len(figure.source) for figure in (*scene.overview, *crops, *scene.depths))


def draft(shown: StackShown) -> Draft:
    """Choose the crops of a stack and cut all its pictures."""
    least = hardest([method.error for method in shown.methods])
    crops, why = _chosen(shown, least)
    low, high = (float(end) for end in np.nanpercentile(shown.depth_mm, (0.5, 99.5)))
    plan = shown.spec.plan
    return Draft(
        heading=plan.scene.name,
        shoot=(
            f"{plan.rig.name}, {plan.stance.name}, {plan.light.name}, {plan.subject.name}, "
            f"{plan.frames} frames, seed {plan.seed}, in the view of frame {shown.view}"
        ),
        notes=_notes(shown),
        whole=pixels_of(shown.ideal),
        crops=crops,
        hardest=_hardest(plan.scene.name, least),
        cuts=[
            (f"{number}: {told}, at column {crop.left}, row {crop.top}",
             _crop(shown, least, crop, number))
            for number, (crop, told) in enumerate(zip(crops, why, strict=True), start=1)
        ],
        depths=_depths(shown, low, high),
        depth_ends=(low, high),
    )  # fmt: skip


def _chosen(shown: StackShown, least: Floats) -> tuple[list[Crop], list[str]]:
    """Return the crops and why each was chosen."""
    apart = np.square(disagreement([method.image for method in shown.methods]))
    rows, cols = least.shape
    size = min(CROP[0], round(_MOST * rows)), min(CROP[1], round(_MOST * cols))
    first = list(best_crops(apart, size=size, count=1))
    hard = list(best_crops(np.square(least), size=size, count=1, taken=first, overlap=0.5))
    more = list(best_crops(apart, size=size, count=_CROPS - 2, taken=[*first, *hard]))
    why = ("methods differ most", "hardest for all methods", "methods differ elsewhere")
    groups = zip((first, hard, more), why, strict=True)
    crops, reasons = zip(*[(crop, told) for found, told in groups for crop in found], strict=True)
    return list(crops), list(reasons)


def _crop(shown: StackShown, least: Floats, crop: Crop, number: int) -> list[_Sketch]:
    """Return one crop of all pictures, then of all error maps."""
    where = f"crop {number} of {shown.spec.plan.scene.name}"
    pictures = [
        ("ideal", "all in focus", shown.ideal),
        ("best possible", "the least defocus that any frame has", shown.achievable),
        *((_label(method, shown.view), "result", method.image) for method in shown.methods),
    ]
    errors = [
        ("error of the best possible", shown.capture_error),
        *((f"error of {method.name}", method.error) for method in shown.methods),
        ("error of the best method at each point", least),
    ]
    return [
        *(
            _Sketch(
                label=label,
                words=f"{label} ({what}), {where}",
                pixels=pixels_of(image[crop.area]),
            )
            for label, what, image in pictures
        ),
        *(
            _Sketch(
                label=label, words=f"Map: {label}, {where}", pixels=_error(map_[crop.area]),
                is_map=True,
            )
            for label, map_ in errors
        ),
    ]  # fmt: skip


def _label(method: Shown, view: int) -> str:
    moved = "" if method.view == view else f", moved from the view of frame {method.view}"
    return f"{method.name}, {method.psnr_db:.1f} dB{moved}"


def _error(error: Floats) -> Pixels:
    return coloured(error, low=0, high=ERROR_TOP, colours=_ERROR_COLOURS)


def _hardest(scene: str, least: Floats) -> _Sketch:
    """Return the map of the hardest pixels."""
    return _Sketch(
        label="the hardest pixels: error of whichever method is best there",
        words=f"Map of {scene}: at each point the least error of any method; bright where even "
        "the best one fails",
        pixels=shrunk(_error(least), _OVERVIEW_PX, smooth=False),
        is_map=True,
    )


def _depths(shown: StackShown, low: float, high: float) -> list[_Sketch]:
    """Return the true depth and each method's, all on the same scale."""
    name = shown.spec.plan.scene.name
    maps = [
        ("true depth", shown.depth_mm),
        *((m.name, m.depth_mm) for m in shown.methods if m.depth_mm is not None),
    ]
    return [
        _Sketch(
            label=label,
            words=f"Depth map of {name}: {label}",
            pixels=shrunk(
                coloured(depth, low=low, high=high, colours=_DEPTH_COLOURS),
                _OVERVIEW_PX,
                smooth=False,
            ),
            is_map=True,
        )
        for label, depth in maps
    ]


def _notes(shown: StackShown) -> list[str]:
    """Return what must be said of a scene's pictures."""
    notes = [f"{name} has no picture here: {why}." for name, why in shown.missing]
    moved = [method.name for method in shown.methods if method.view != shown.view]
    if moved:
        notes.append(
            f"{', '.join(moved)} merged in the view of another frame. The pictures were moved to "
            "this one by the true motion; grey is what it does not see. The numbers were made in "
            "the view of the method's choice."
        )
    without = [method.name for method in shown.methods if method.depth_mm is None]
    if without:
        notes.append(f"No depth map in millimetres: {', '.join(without)}.")
    return notes


def _error_scale() -> Scale:
    steps = np.linspace(0, 100 * ERROR_TOP, 5)
    return Scale(
        title="Error: largest difference of a colour channel from the ideal, % of white; "
        "grey: not judged or not seen",
        words=f"Colour scale of the error maps, from 0 to {100 * ERROR_TOP:.0f} % of white",
        source=data_address(scale_bar(_ERROR_COLOURS)),
        ticks=[*(f"{step:.0f}" for step in steps[:-1]), f"{steps[-1]:.0f} % or more"],
    )


def _depth_scale(low: float, high: float) -> Scale:
    steps = np.linspace(low, high, 5)
    return Scale(
        title="Depth along the optical axis, mm, near to far; one scale for all maps of "
        "the scene; grey: no depth",
        words=f"Colour scale of the depth maps, from {low:.2f} to {high:.2f} mm",
        source=data_address(scale_bar(_DEPTH_COLOURS)),
        ticks=[*(f"{step:.2f}" for step in steps[:-1]), f"{steps[-1]:.2f} mm"],
    )
