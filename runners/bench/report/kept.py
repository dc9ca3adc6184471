"""What a look at scored results needs: pictures, maps, and one page that lays them over each other.

``score --keep DIR`` writes a folder for each method: the merged picture in the judge's view, where
it is wrong, what it invented, its depth and the error of that; beside them what was never sharp.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from ....ground.pictures import encode_image, encode_map
from ....ground.srgb import clipped_srgb
from ....ground.types import Floats
from ....metrics.artefacts.invented import invented_map
from ....simulator.shooting.shoot import Shoot
from ....simulator.shooting.truth import NEVER_PX
from ...judge.printed import MAIN_COLUMNS
from ...judge.scoring import Judge, Scored
from ..grid.cells import StackSpec
from .page import page_of
from .tables import PageTable
from .viewer import draft
from .viewer_images import Pixels, coloured, data_address, scale_bar, shrunk
from .viewer_parts import (
    DEPTH_COLOURS,
    ERROR_COLOURS,
    ERROR_TOP,
    OVERVIEW_PX,
    PageFigure,
    Scale,
    Sketch,
)
from .viewer_results import ShownResult, ShownStack, Views, error_map

#: Ends of the scales: invented detail, share of white; blur, px.
INVENTED_TOP, BLUR_TOP = 0.03, 2 * NEVER_PX


@dataclass(frozen=True, kw_only=True, eq=False)
class MapSet:
    """Maps of one kind on the page, all in one scale."""

    heading: str
    note: str
    figures: Sequence[PageFigure]
    scale: Scale


@dataclass(frozen=True, kw_only=True, eq=False)
class KeptMaps:
    """What is kept of one method, in the view that it was judged in; NaN is not judged.

    Parameters
    ----------
    name : str
        In the table.
    folder : str
        Of its files.
    image : array (rows, cols, 3)
        sRGB-encoded 0..1.
    error : array (rows, cols)
        Largest difference of a channel from the ideal, share of white.
    invented : array (rows, cols)
        RMS of what no filter of the ideal explains, tile by tile, linear light as a share of
        white; noise is detail that nobody asked for, and counts.
    never_sharp : array (rows, cols)
        Blur radius in the best frame, px.
    depth_mm, depth_error_mm : array (rows, cols) or None
        Depth, and by how much it is too far.
    """

    name: str
    folder: str
    image: Floats
    error: Floats
    invented: Floats
    never_sharp: Floats
    depth_mm: Floats | None
    depth_error_mm: Floats | None

    @cached_property
    def pictures(self) -> Mapping[str, Pixels]:
        """The maps in colours, by their names."""
        return dict(_pictures_of(self))


def write_kept(judge: Judge, shoot: Shoot, scored: Sequence[Scored], folder: Path) -> None:
    """Write pictures and maps of scored results, and a page of them, into an empty folder.

    Parameters
    ----------
    judge : Judge
        That scored them.
    shoot : Shoot
        Of its stack.
    scored : sequence of Scored
        Those without a result are named with their reason.
    folder : Path
    """
    good = [item for item in scored if item.image is not None]
    kept = [kept_maps(item, name) for item, name in zip(good, folder_names(good), strict=True)]
    for maps in kept:
        place = folder / maps.folder
        place.mkdir()
        for name, data in files_of(maps):
            (place / name).write_bytes(data)
    if kept:
        page = _page(judge, shoot, scored, good, kept)
        (folder / "index.html").write_text(page, encoding="utf-8")


def folder_names(scored: Sequence[Scored]) -> list[str]:
    """Return a name for each method's folder, safe for any file system, no two alike."""
    names: list[str] = []
    for item in scored:
        plain = (
            re.sub(r"[^A-Za-z0-9_+-]+", "-", str(item.row["method"])).strip("-")[:60] or "method"
        )
        name, number = plain, 2
        while name.lower() in (other.lower() for other in names):
            name, number = f"{plain}-{number}", number + 1
        names.append(name)
    return names


def kept_maps(scored: Scored, folder: str) -> KeptMaps:
    """Return the maps of a scored result, in the view that it was judged in."""
    image, truth, judged = scored.image, scored.truth, scored.judged
    if image is None or truth is None or judged is None:
        raise ValueError(f"{scored.row['method']}: there is no result to keep")
    ideal = clipped_srgb(truth.ideal)
    blank = np.float32(np.nan)
    depth = scored.depth_mm
    return KeptMaps(
        name=str(scored.row["method"]),
        folder=folder,
        image=image,
        error=error_map(image, ideal, judged=judged),
        invented=invented_map(image, ideal, data_range=1.0, mask=judged),
        never_sharp=np.where(truth.mask("valid"), truth.residual_blur_px, blank),
        depth_mm=depth,
        depth_error_mm=None if depth is None else np.where(judged, depth - truth.depth_mm, blank),
    )


def files_of(maps: KeptMaps) -> Iterator[tuple[str, bytes]]:
    """Yield name and bytes of each file of a method: pictures to look at, and maps with values."""
    levels = np.rint(65535 * np.clip(maps.image, 0, 1)).astype(np.uint16)
    yield "merged.png", encode_image(levels, ".png")
    for name, pixels in maps.pictures.items():
        yield f"{name}.png", encode_image(pixels, ".png")
    for name in ("error", "invented", "never_sharp", "depth_mm", "depth_error_mm"):
        values = getattr(maps, name)
        if values is not None:
            yield f"{name}.tif", encode_map(np.asarray(values, np.float32))


def _pictures_of(maps: KeptMaps) -> Iterator[tuple[str, Pixels]]:
    """Yield the maps in colours."""
    yield "error", coloured(maps.error, low=0, high=ERROR_TOP, colours=ERROR_COLOURS)
    yield "invented", coloured(maps.invented, low=0, high=INVENTED_TOP, colours=ERROR_COLOURS)
    yield "never_sharp", coloured(maps.never_sharp, low=0, high=BLUR_TOP, colours=ERROR_COLOURS)
    if maps.depth_mm is not None and maps.depth_error_mm is not None:
        low, high = depth_ends(maps.depth_mm)
        yield "depth_mm", coloured(maps.depth_mm, low=low, high=high, colours=DEPTH_COLOURS)
        top = error_end(maps.depth_error_mm)
        yield "depth_error_mm", coloured(maps.depth_error_mm, low=-top, high=top, colours="RdBu_r")


def depth_ends(depth_mm: Floats) -> tuple[float, float]:
    """Return ends of a scale that few depths lie beyond; any where none is known."""
    if not np.isfinite(depth_mm).any():
        return 0.0, 1.0
    low, high = np.nanpercentile(depth_mm, (0.5, 99.5))
    return float(low), float(high)


def error_end(error_mm: Floats) -> float:
    """Return the end of a scale about 0 that few errors lie beyond."""
    known = np.abs(error_mm[np.isfinite(error_mm)])
    return max(float(np.percentile(known, 95)), 1e-3) if known.size else 1.0


def _page(
    judge: Judge,
    shoot: Shoot,
    scored: Sequence[Scored],
    good: Sequence[Scored],
    kept: Sequence[KeptMaps],
) -> str:
    shown = _shown(judge, shoot, scored, good, kept)
    return page_of(
        "kept.html",
        title=f"{shoot.scene.name}: {len(scored)} scored",
        scores=_scores(scored),
        scene=draft(shown).view(),
        maps=list(_map_sets(kept)),
    )


def _shown(
    judge: Judge,
    shoot: Shoot,
    scored: Sequence[Scored],
    good: Sequence[Scored],
    kept: Sequence[KeptMaps],
) -> ShownStack:
    """Bring all results to the stack's own view."""
    truth = judge.truth()
    views = Views(shoot, truth.reference)
    ideal, achievable = clipped_srgb(truth.ideal), clipped_srgb(truth.achievable)
    methods = []
    for item, maps in zip(good, kept, strict=True):
        view = int(item.row["reference"])
        depth = maps.depth_mm
        methods.append(
            ShownResult(
                name=maps.name,
                psnr_db=float(item.row["total.psnr_db"]),
                view=view,
                image=views.brought(maps.image, view, order=3),
                error=views.brought(maps.error, view, order=1),
                depth_mm=None if depth is None else views.brought(depth, view, order=0),
                gives_depth=depth is not None,
            )
        )
    return ShownStack(
        spec=StackSpec(shoot=shoot),
        view=truth.reference,
        ideal=ideal,
        achievable=achievable,
        capture_error=error_map(achievable, ideal, judged=truth.mask("valid")),
        depth_mm=truth.depth_mm,
        methods=tuple(methods),
        missing=tuple(
            (str(item.row["method"]), f"{item.row['status']}: {item.row['reason']}")
            for item in scored
            if item.image is None
        ),
    )


def _scores(scored: Sequence[Scored]) -> PageTable:
    columns = {**MAIN_COLUMNS, "brought": "brought over", "above_limit": "above a limit"}
    return PageTable(
        heading="Scores",
        columns=tuple(columns.values()),
        rows=[tuple(_cell(item.row.get(name)) for name in columns) for item in scored],
    )


def _cell(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.2f}" if np.isfinite(value) else "-"
    return "-" if value in (None, "") else str(value)


def _map_sets(kept: Sequence[KeptMaps]) -> Iterator[MapSet]:
    """Yield the kinds of maps, each with a map of every method that has it."""
    yield _map_set(
        "What was invented",
        "Detail that no filter of the ideal picture explains, noise included; grey: not judged.",
        [(maps.name, maps.pictures["invented"]) for maps in kept],
        _scale("invented detail", 0, 100 * INVENTED_TOP, "% of white", ERROR_COLOURS),
    )
    yield _map_set(
        "What was never sharp",
        f"Blur radius in the sharpest usable frame; above {NEVER_PX:g} px it is a gap.",
        [("blur of the sharpest frame", maps.pictures["never_sharp"]) for maps in kept[:1]],
        _scale("blur", 0, BLUR_TOP, "px", ERROR_COLOURS),
    )
    for maps in kept:
        if maps.depth_error_mm is not None:
            top = error_end(maps.depth_error_mm)
            yield _map_set(
                f"Depth error of {maps.name}",
                "Red: too far, blue: too near; grey: no depth, or not judged.",
                [(maps.name, maps.pictures["depth_error_mm"])],
                _scale("depth error", -top, top, "mm", "RdBu_r"),
            )


def _map_set(
    heading: str, note: str, pictures: Sequence[tuple[str, np.ndarray]], scale: Scale
) -> MapSet:
    figures = [
        Sketch(
            label=name,
            words=f"Map: {heading}, {name}",
            pixels=shrunk(pixels, OVERVIEW_PX, smooth=False),
            is_map=True,
        ).figure()
        for name, pixels in pictures
    ]
    return MapSet(heading=heading, note=note, figures=figures, scale=scale)


def _scale(what: str, low: float, high: float, unit: str, colours: str) -> Scale:
    ticks = [f"{step:.3g}" for step in np.linspace(low, high, 5)]
    return Scale(
        title=f"{what}, {unit}",
        words=f"Colour scale of {what}, from {low:.3g} to {high:.3g} {unit}",
        source=data_address(scale_bar(colours)),
        ticks=[*ticks[:-1], f"{ticks[-1]} {unit} or more"],
    )
