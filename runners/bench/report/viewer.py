"""The comparison viewer's pictures: for each scene crops at 1:1, overviews and depth maps.

Without its script the page shows all of them side by side; the script only lays two of them over
each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np
from tqdm import tqdm

from ....ground.types import Floats
from ....simulator.steps import side_by_side
from ..grid.cells import PLAIN, Cell, by_stack
from ..running.store import Store
from .viewer_crops import Crop, best_crops, disagreement, hardest
from .viewer_images import Pixels, coloured, pixels_of, shrunk
from .viewer_parts import (
    DEPTH_COLOURS,
    ERROR_COLOURS,
    ERROR_STEPS,
    ERROR_TOP,
    OVERVIEW_PX,
    Draft,
    SceneView,
    Sketch,
    Viewer,
)
from .viewer_results import ShownResult, ShownStack, shown_stack

#: Bytes that all pictures of a page may take, as text; the page itself stays below 15 MB.
BUDGET_BYTES = 13_000_000
#: Rows and columns of a crop, and the most it takes of a small picture's side: so there is room
#: for another wherever it lies.
CROP = (144, 192)
_MOST = 0.5
#: From best to what is left where room is short: crops a scene, and quality (None: no loss).
_LEVELS: tuple[tuple[int, int | None], ...] = ((3, None), (3, 90), (2, 90), (1, 90))


def viewer(
    store: Store,
    cells: Sequence[Cell],
    *,
    budget_bytes: int = BUDGET_BYTES,
    workers: int = 1,
    progress: bool = False,
) -> Viewer:
    """Return the pictures of the first plain stack of each scene, as many as there is room for.

    Parameters
    ----------
    store : Store
    cells : sequence of Cell
        Of the whole suite.
    budget_bytes : int
        What the pictures may take together, as text.
    workers : int
        Processes that render the truth of stacks and cut their pictures.
    progress : bool
        Whether to draw a progress bar on stderr.
    """
    drafts, gone = [], []
    stacks = _first_plain(cells)
    cut = side_by_side(partial(_drafted, store), list(stacks.values()), workers=workers)
    for scene, made_of in tqdm(
        zip(stacks, cut, strict=True), total=len(stacks), desc="pictures", unit="scene",
        disable=not progress,
    ):  # fmt: skip
        if made_of is None:
            gone.append(scene)
        else:
            drafts.append(made_of)
    made = fitted(drafts, budget_bytes=budget_bytes)
    if not gone:
        return made
    missing = (
        f"No pictures of {', '.join(gone)} are in the benchmark's folder (any more); a page "
        "that is made where the benchmark ran, before outputs are deleted, shows them."
    )
    return Viewer(scenes=made.scenes, notes=[missing, *made.notes])


def _drafted(store: Store, of_stack: Sequence[Cell]) -> Draft | None:
    shown = shown_stack(store, of_stack)
    return None if shown is None else draft(shown)


def fitted(drafts: Sequence[Draft], *, budget_bytes: int) -> Viewer:
    """Return as many crops of each scene as there is room for, and notes on what is left out."""
    for crops, quality in _LEVELS:
        scenes = [item.view(crops=crops, quality=quality) for item in drafts]
        if sum(map(_bytes, scenes)) <= budget_bytes:
            break
    left_out: list[str] = []
    while sum(map(_bytes, scenes)) > budget_bytes:
        left_out.insert(0, scenes.pop().heading)
    notes = []
    if scenes:
        stored = "without loss" if quality is None else f"with little loss (quality {quality})"
        notes.append(
            "Pictures are WebP files in 8-bit sRGB. Crops are shown pixel for pixel and stored "
            f"{stored}; maps without loss; overviews with little loss."
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
            found.setdefault(spec.shoot.scene.name, of_stack)
    return found


def _bytes(scene: SceneView) -> int:
    """Return what a scene's pictures take."""
    crops = [figure for crop in scene.crops for figure in crop.figures]
    return sum(len(figure.source) for figure in (*scene.overview, *crops, *scene.depths))


def draft(shown: ShownStack) -> Draft:
    """Choose the crops of a stack and cut all its pictures."""
    least = hardest([method.error for method in shown.methods])
    crops, why = _chosen(shown, least)
    low, high = (float(end) for end in np.nanpercentile(shown.depth_mm, (0.5, 99.5)))
    shoot = shown.spec.shoot
    return Draft(
        heading=shoot.scene.name,
        shoot=(
            f"{shoot.rig.name}, {shoot.stance.name}, {shoot.light.name}, {shoot.subject.name}, "
            f"{shoot.frames} frames, seed {shoot.seed}, in the view of frame {shown.view}"
        ),
        notes=_notes(shown),
        whole=pixels_of(shown.ideal),
        crops=crops,
        hardest=_hardest(shoot.scene.name, least),
        cuts=[
            (f"{number}: {reason}, at column {crop.left}, row {crop.top}",
             _crop(shown, least, crop, number))
            for number, (crop, reason) in enumerate(zip(crops, why, strict=True), start=1)
        ],
        depths=_depths(shown, low, high),
        depth_ends=(low, high),
    )  # fmt: skip


def _chosen(shown: ShownStack, least: Floats) -> tuple[list[Crop], list[str]]:
    """Return the crops and why each was chosen."""
    apart = np.square(disagreement([method.image for method in shown.methods]))
    rows, cols = least.shape
    size = min(CROP[0], round(_MOST * rows)), min(CROP[1], round(_MOST * cols))
    first = list(best_crops(apart, size=size, count=1))
    hard = list(best_crops(np.square(least), size=size, count=1, taken=first, overlap=0.5))
    more = list(best_crops(apart, size=size, count=1, taken=[*first, *hard]))
    why = ("methods differ most", "hardest for all methods", "methods differ elsewhere")
    groups = zip((first, hard, more), why, strict=True)
    crops, reasons = zip(
        *[(crop, reason) for found, reason in groups for crop in found], strict=True
    )
    return list(crops), list(reasons)


def _crop(shown: ShownStack, least: Floats, crop: Crop, number: int) -> list[Sketch]:
    """Return one crop of all pictures, then of all error maps."""
    where = f"crop {number} of {shown.spec.shoot.scene.name}"
    pictures = [
        ("ideal", "all in focus", shown.ideal),
        ("capture limit", "the least defocus that any frame has", shown.achievable),
        *((_label(method, shown.view), "result", method.image) for method in shown.methods),
    ]
    errors = [
        ("error of the capture limit", shown.capture_error),
        *((f"error of {method.name}", method.error) for method in shown.methods),
        ("error of the best method at each point", least),
    ]
    return [
        *(
            Sketch(
                label=label,
                words=f"{label} ({what}), {where}",
                pixels=pixels_of(image[crop.area]),
            )
            for label, what, image in pictures
        ),
        *(
            Sketch(
                label=label, words=f"Map: {label}, {where}", pixels=_error(map_[crop.area]),
                is_map=True,
            )
            for label, map_ in errors
        ),
    ]  # fmt: skip


def _label(method: ShownResult, view: int) -> str:
    moved = "" if method.view == view else f", moved from the view of frame {method.view}"
    return f"{method.name}, {method.psnr_db:.1f} dB{moved}"


def _error(error: Floats) -> Pixels:
    return coloured(error, low=0, high=ERROR_TOP, colours=ERROR_COLOURS, steps=ERROR_STEPS)


def _hardest(scene: str, least: Floats) -> Sketch:
    """Return the map of the hardest pixels."""
    return Sketch(
        label="the hardest pixels: error of whichever method is best there",
        words=f"Map of {scene}: at each point the least error of any method; bright where even "
        "the best one fails",
        pixels=shrunk(_error(least), OVERVIEW_PX, smooth=False),
        is_map=True,
    )


def _depths(shown: ShownStack, low: float, high: float) -> list[Sketch]:
    """Return the true depth and each method's, all on the same scale."""
    name = shown.spec.shoot.scene.name
    maps = [
        ("true depth", shown.depth_mm),
        *((m.name, m.depth_mm) for m in shown.methods if m.depth_mm is not None),
    ]
    return [
        Sketch(
            label=label,
            words=f"Depth map of {name}: {label}",
            pixels=shrunk(
                coloured(depth, low=low, high=high, colours=DEPTH_COLOURS),
                OVERVIEW_PX,
                smooth=False,
            ),
            is_map=True,
        )
        for label, depth in maps
    ]


def _notes(shown: ShownStack) -> list[str]:
    """Return what must be said of a scene's pictures."""
    reasons: dict[str, list[str]] = {}
    for name, why in shown.missing:
        reasons.setdefault(why, []).append(name)
    notes = [f"No picture of {', '.join(names)}: {why}." for why, names in reasons.items()]
    moved = [method.name for method in shown.methods if method.view != shown.view]
    if moved:
        notes.append(
            f"{', '.join(moved)} merged in the view of another frame. The pictures were moved to "
            "this one by the true motion; grey is what it does not see. The numbers were made in "
            "the view of the method's choice."
        )
    none = [method.name for method in shown.methods if not method.gives_depth]
    if none:
        notes.append(f"No depth map is given by {', '.join(none)}.")
    unread = [m.name for m in shown.methods if m.gives_depth and m.depth_mm is None]
    if unread:
        notes.append(
            f"Depth maps left out: {', '.join(unread)}. They are counted in frames, and it is not "
            "known in which."
        )
    return notes
