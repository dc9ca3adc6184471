"""What a benchmark's folder keeps of one stack, brought to one view to be compared by eye.

The frames are gone by the time a page is made, and are not needed: what the methods made is kept,
and the truth follows from the shoot.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy import ndimage

from .... import metrics
from ....ground.checksum import sha256
from ....ground.pictures import decode_image
from ....ground.srgb import clipped_srgb
from ....ground.types import Bools, Doubles, Floats, Image
from ....simulator.shooting.motion import Nearest, nearest, places_in
from ....simulator.shooting.shoot import Shoot
from ....simulator.shooting.truth import Truth
from ...contract import Result, depth_to_mm
from ...judge.depth_scores import planes_mm
from ...judge.exposure import frame_gains
from ...methods.picture.tone import to_float
from ..grid.cells import Cell, StackSpec
from ..running.store import Store


@dataclass(frozen=True, kw_only=True, eq=False)
class ShownResult:
    """What one method made of a stack.

    Parameters
    ----------
    name : str
    psnr_db : float
        Against the ideal, in the method's own view: the number in the tables.
    view : int
        Frame in whose view it merged.
    image : array (rows, cols, 3)
        As it was compared, sRGB-encoded 0..1; NaN where the view of the page sees none of it.
    error : array (rows, cols)
        Largest difference of a channel from the ideal, share of white; NaN where not judged.
    depth_mm : array (rows, cols) or None
        None where the method gives none, or its row does not say what it means.
    gives_depth : bool
    """

    name: str
    psnr_db: float
    view: int
    image: Floats
    error: Floats
    depth_mm: Floats | None
    gives_depth: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class ShownStack:
    """A stack's truth and its methods' results in the view of one frame.

    Parameters
    ----------
    spec : StackSpec
    view : int
    ideal, achievable : array (rows, cols, 3)
        sRGB-encoded 0..1.
    capture_error : array (rows, cols)
        Of the achievable picture; as `ShownResult.error`.
    depth_mm : array (rows, cols)
    methods : tuple of ShownResult
    missing : tuple of (str, str)
        Methods without a picture, and why.
    """

    spec: StackSpec
    view: int
    ideal: Floats
    achievable: Floats
    capture_error: Floats
    depth_mm: Floats
    methods: tuple[ShownResult, ...]
    missing: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Kept:
    """A cell that has its picture."""

    cell: Cell
    row: Mapping[str, Any]
    image: Image
    depth: Floats | None


def shown_stack(store: Store, cells: Sequence[Cell]) -> ShownStack | None:
    """Return what is kept of a stack; None where no method's picture is.

    Parameters
    ----------
    store : Store
    cells : sequence of Cell
        All of one stack.
    """
    kept: list[_Kept] = []
    missing: list[tuple[str, str]] = []
    for cell in cells:
        found = _kept(store, cell)
        if isinstance(found, str):
            missing.append((cell.method.name, found))
        else:
            kept.append(found)
    if not kept:
        return None
    spec = cells[0].stack
    view = spec.shoot.reference
    views = Views(spec.shoot, view)
    truth = views.truth(view)
    ideal, achievable = clipped_srgb(truth.ideal), clipped_srgb(truth.achievable)
    return ShownStack(
        spec=spec,
        view=view,
        ideal=ideal,
        achievable=achievable,
        capture_error=error_map(achievable, ideal, judged=truth.mask("valid")),
        depth_mm=truth.depth_mm,
        methods=tuple(_shown(item, views) for item in kept),
        missing=tuple(missing),
    )


def error_map(image: Floats, ideal: Floats, *, judged: Bools) -> Floats:
    """Return the largest difference of a channel, share of white; NaN where not judged."""
    error = np.abs(image - ideal).max(axis=2)
    return np.where(judged, error, np.float32(np.nan)).astype(np.float32)


def _kept(store: Store, cell: Cell) -> _Kept | str:
    """Return a cell with its picture, or why it has none."""
    row = store.row(cell.key)
    if row is None:
        return "not done yet"
    if row["status"] != "ok":
        return f"{row['status']}: {row.get('reason') or 'no reason given'}"
    folder = store.output(cell.key)
    image = _picture(folder / "image.tif", row.get("image_sha256"))
    if image is None:
        return "its picture is no longer in the folder, or was changed"
    depth = _picture(folder / "depth.tif", row.get("depth_sha256"))
    return _Kept(cell=cell, row=row, image=image, depth=depth)


def _picture(path: Path, checksum: object) -> Image | None:
    try:
        data = path.read_bytes()
    except OSError:
        return None
    return decode_image(data, path.suffix) if sha256(data) == checksum else None


class Views:
    """The truth in the views of a stack's frames, and the way from each to the page's view."""

    def __init__(self, shoot: Shoot, page: int) -> None:
        self.shoot = shoot
        self.page = page
        self._truths: dict[int, Truth] = {}
        self._places: dict[int, Floats] = {}
        self._seen: Nearest | None = None

    def truth(self, view: int) -> Truth:
        """Return the truth in the view of a frame."""
        if view not in self._truths:
            self._truths[view] = self.shoot.truth(view)
        return self._truths[view]

    def brought(self, picture: Floats, view: int, *, order: int) -> Floats:
        """Return a picture of a frame's view as the page's view sees it; NaN: not seen there."""
        if view == self.page:
            return picture
        if view not in self._places:
            self._seen = self._seen or nearest(self.shoot.scene, self.shoot.camera(self.page))
            self._places[view] = places_in(self._seen, self.shoot.camera(view))
        row, col = np.moveaxis(self._places[view], -1, 0)
        unseen = np.isnan(row)
        at = [np.where(unseen, 0, row), np.where(unseen, 0, col)]
        layers = picture.reshape(*picture.shape[:2], -1)
        moved = np.stack(
            [
                ndimage.map_coordinates(layer, at, order=order, mode="nearest")
                for layer in np.moveaxis(layers, -1, 0)
            ],
            axis=-1,
        )
        moved[unseen] = np.nan
        return moved.reshape(picture.shape)


def _shown(kept: _Kept, views: Views) -> ShownResult:
    """Bring a result to its reference as the judge does, and then to the page's view."""
    view = int(kept.row["reference"])
    truth = views.truth(view)
    valid = truth.mask("valid")
    raw = to_float(kept.image, linear=True)
    ideal = clipped_srgb(truth.ideal)
    brought = metrics.bring_to_reference(
        raw,
        clipped_srgb(truth.achievable),
        data_range=1.0,
        ideal=ideal,
        frame_gains=frame_gains(views.shoot),
        mask=valid,
    )
    error = error_map(brought.image, ideal, judged=valid & brought.inside)
    depth = None
    if kept.depth is not None:
        depth = depth_in_mm(kept.depth, kept.row, planes_mm=planes_mm(views.shoot, view)[0])
    return ShownResult(
        name=kept.cell.method.name,
        psnr_db=_score(kept.row, "total.psnr_db"),
        view=view,
        image=views.brought(brought.image, view, order=3),
        error=views.brought(error, view, order=1),
        depth_mm=None if depth is None else views.brought(depth, view, order=0),
        gives_depth=kept.depth is not None,
    )


def depth_in_mm(depth: Floats, row: Mapping[str, Any], *, planes_mm: Doubles) -> Floats | None:
    """Return a kept depth map in millimetres; None where its row does not say what it means.

    Parameters
    ----------
    depth : array (rows, cols)
    row : mapping
        Of its cell: ``depth_unit``, and ``used``, the frames that positions count, if not all.
    planes_mm : array (frames,)
        z of each frame's plane of focus, in the view of the map.
    """
    if row.get("depth_unit") is None:
        return None
    used = row.get("used")
    result = Result(
        image=np.empty(0),
        depth=depth,
        depth_unit=row["depth_unit"],
        used=None if used is None else tuple(map(int, used.split())),
    )
    return depth_to_mm(result, planes_mm)


def _score(row: Mapping[str, Any], name: str) -> float:
    """Return a score of a row; NaN where it has none."""
    value = row.get(name)
    return np.nan if value is None else float(value)
