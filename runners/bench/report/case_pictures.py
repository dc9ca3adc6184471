"""Pictures of the cases that a method wins and loses most, and where the results differ."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from ...figures import plain_text
from ...request import RequestError, whole_file
from ..grid.cells import PLAIN, Cell, by_stack, cells_of
from ..grid.suite import Suite
from ..ranking.compare import Comparison
from ..ranking.compare_text import case_name
from ..running.store import Store
from .viewer_crops import best_crops, disagreement
from .viewer_images import pixels_of
from .viewer_results import ShownStack, shown_stack

#: Rows and columns of what is shown of a case.
CROP = (144, 192)


def write_case_pictures(folder: Path, suite: Suite, found: Comparison, path: Path) -> None:
    """Write one picture of the best and worst cases of a comparison.

    Parameters
    ----------
    folder : Path
        Of a benchmark that still holds what its methods made.
    suite : Suite
    found : Comparison
    path : Path
        A new file.

    Raises
    ------
    RequestError
        The folder holds no picture of these cases that this version of the code made.
    """
    methods = (found.method, found.pairs[0].second)
    cases = [*found.best.to_dict("records"), *found.worst.to_dict("records")]
    shown = list(_shown(Store(folder), suite, cases, methods))
    if not shown:
        raise RequestError(
            f"{folder}: holds no pictures of {' and '.join(methods)} on these cases that this "
            "version of the code made; run the benchmark again, and keep its outputs"
        )
    figure = _figure(shown, methods, found.metric.unit)
    with whole_file(path) as draft:
        figure.savefig(draft, format="png", dpi=100)


def _shown(
    store: Store, suite: Suite, cases: Sequence[Mapping[str, Any]], methods: tuple[str, str]
) -> list[tuple[Mapping[str, Any], ShownStack]]:
    """Return the cases whose pictures are kept, with these."""
    found = []
    stacks = by_stack(cell for cell in cells_of(suite) if cell.method.name in methods)
    for case in cases:
        for cells in stacks.values():
            if _is_case(cells[0], case):
                stack = shown_stack(store, cells)
                if stack is not None and {one.name for one in stack.methods} == set(methods):
                    found.append((case, stack))
    return found


def _is_case(cell: Cell, case: Mapping[str, Any]) -> bool:
    """Tell whether a cell's stack is the one that a case names."""
    shoot = cell.stack.shoot
    own = {
        "scene": shoot.scene.name,
        "rig": shoot.rig.name,
        "stance": shoot.stance.name,
        "light": shoot.light.name,
        "subject": shoot.subject.name,
        "window": cell.stack.window,
        "seed": shoot.seed,
    }
    same = all(str(case[name]) == str(value) for name, value in own.items() if name in case)
    return same and cell.stack.condition == PLAIN


@plain_text()
def _figure(
    shown: Sequence[tuple[Mapping[str, Any], ShownStack]], methods: tuple[str, str], unit: str
) -> Figure:
    """Return a row for each case: ideal, both results, and how far these lie apart."""
    figure = Figure(figsize=(12, 2.5 * len(shown)), layout="constrained")
    grid = figure.subplots(len(shown), 4, squeeze=False)
    for line, (case, stack) in zip(grid, shown, strict=True):
        by_name = {one.name: one.image for one in stack.methods}
        apart = disagreement([by_name[name] for name in methods])
        size = min(CROP[0], apart.shape[0]), min(CROP[1], apart.shape[1])
        (crop,) = best_crops(np.square(apart), size=size, count=1)
        pictures = (("ideal", stack.ideal), *((name, by_name[name]) for name in methods))
        for axes, (label, image) in zip(line, pictures, strict=False):
            axes.imshow(pixels_of(image[crop.area]), interpolation="nearest")
            axes.set_title(label, fontsize="small")
        line[3].imshow(apart[crop.area], cmap="magma", vmin=0, interpolation="nearest")
        line[3].set_title("where they differ", fontsize="small")
        won = f"{case['advantage']:+.2f} {unit}".rstrip()
        line[0].set_ylabel(f"{case_name(case)}\n{won}", fontsize="small")
        for axes in line:
            axes.set(xticks=[], yticks=[])
    return figure
