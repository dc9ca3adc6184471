"""The columns of a row of scores: what each is, in a sentence.

Columns that hold a metric take unit, range and title from the metric's own record.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from ...ground.columns import Column
from ...metrics import METRICS, metric
from ...metrics.record import Metric
from ..contract import STATUSES
from .judged_view import IMAGE_METRICS

_NAME = "a name"
_COUNT = "0, 1, 2 ..."
_ANY = "any number"


#: In every row, whatever came of it.
RUN_COLUMNS = (
    Column("scene", "", _NAME, "Scene that was photographed."),
    Column("rig", "", _NAME, "Lens and sensor."),
    Column("stance", "", _NAME, "How the camera was held."),
    Column("light", "", _NAME, "Flash, ambient light and cadence."),
    Column("subject", "", _NAME, "How the living parts moved."),
    Column("frames", "", "1, 2, 3 ...", "Frames of the stack."),
    Column("seed", "", _COUNT, "Of all that is random in the shoot."),
    Column("quality", "", "fast, true, exact", "How right the renderer made edges."),
    Column("method", "", _NAME, "Label of the method, or name of the finished file."),
    Column("kind", "", "built-in, python, program, file", "What kind of method it is."),
    Column("version", "", "checksum, or empty", "Of the method with all it is known to load."),
    Column("version_covers", "", "text", "What the version is the checksum of, and what not."),
    Column("status", "", ", ".join(STATUSES), "How the run ended; see the page of statuses."),
    Column("reason", "", "text, or empty", "Why, in one line; empty when ok."),
    Column("seconds", "s", ">= 0, or empty", "Wall time of the method itself."),
    Column("peak_mb", "MB", "> 0, or empty", "Peak resident memory of its processes, 1e6 bytes."),
    Column("isolation", "", "text", "By which means it was kept from the truth."),
    Column(
        "stays_loaded",
        "",
        "True or False",
        "Whether its process may have served other stacks before, and remember them.",
    ),
)

#: In a row that has scores, beside those of metrics.
SCORE_COLUMNS = (
    Column("reference", "", _COUNT, "Frame in whose view the result was compared."),
    Column("view", "", "given, own", "Whether that is the frame that the stack names."),
    Column("brought", "", "text, or empty", "What was done to bring the result into that view."),
    Column(
        "view_alike",
        "",
        "frames, or empty",
        "Frames whose views a file cannot be told from: points lie within 0.1 px rms.",
    ),
    Column("shown_share", "", "0..1", "Share of the scored pixels that the result shows."),
    Column("residual_px", "px", ">= 0", "Rms motion between result and truth, before its removal."),
    Column(
        "gain_stops", "stops", _ANY, "Light the result needs to be as bright as the truth; mean."
    ),
    Column("gain_colour_stops", "stops", ">= 0", "Largest need of one channel beside that mean."),
    Column("gain_charged_stops", "stops", ">= 0", "Largest part of a need that was not forgiven."),
    Column(
        "tone_exponent",
        "",
        "> 0, or empty",
        "Power of the light that brightness goes with; 1 is right.",
    ),
    Column("exposure_remark", "", "text, or empty", "Why exposure was charged, in a sentence."),
    Column("colour_kept", "", _ANY, "Share of the true colour in the result; 1 is all of it."),
    Column(
        "total.psnr_db_as_given",
        "dB",
        _ANY,
        "PSNR against the ideal of the result as it came: no motion, no gain taken off.",
    ),
    Column(
        "selection_loss_db[.REGION]", "dB", _ANY, "Capture limit less selection limit, of PSNR."
    ),
    Column("merge_loss_db[.REGION]", "dB", _ANY, "Selection limit less result, of PSNR."),
    Column(
        "capture.margin_db",
        "dB",
        ">= 0",
        "By how much a result may rightly pass the capture limit.",
    ),
    Column(
        "selection.margin_db",
        "dB",
        ">= 0",
        "The same for the selection limit, with noise that can be averaged.",
    ),
    Column(
        "above_limit", "", "text, or empty", "Which limits were passed by more than their margin."
    ),
    Column("artefacts.absent", "", "text, or empty", "Which artefacts have no number, and why."),
    Column(
        "depth.planes",
        "",
        "nominal, true, method, or empty",
        "Whence a depth has its millimetres: the pass's scale, the true planes, the method itself.",
    ),
    Column("depth.origin_mm", "mm", _ANY, "Plane from which ratios of depths count, as z."),
)

#: Before a metric's name, and what the metric then compares.
PREFIXES = {
    "total.": "result against the ideal",
    "merge.": "result against the achievable picture",
    "capture.": "achievable picture, or the best choice where that errs less, against the ideal: "
    "the capture limit",
    "selection.": "the best choice or mix of aligned frames against the ideal: the selection limit",
    "artefacts.": "result against the achievable picture",
    "depth.": "the method's depth against the true one",
}


def score_columns() -> Iterator[Column]:
    """Yield every column that a row of scores can have, in about the order of the table."""
    yield from RUN_COLUMNS
    yield from SCORE_COLUMNS
    for prefix in ("total.", "merge.", "capture.", "selection."):
        yield from (_of_metric(metric(name), prefix, parted=True) for name in IMAGE_METRICS)
    for found in METRICS.values():
        if found.group == "artefact":
            yield _of_metric(found, "artefacts.", parted=False)
        if found.group == "depth":
            yield _of_metric(found, "depth.", parted=True)


def _of_metric(found: Metric, prefix: str, *, parted: bool) -> Column:
    better = {
        "higher": "higher is better",
        "lower": "lower is better",
        "nearest": f"nearest to {found.best:g} is better",
    }
    return Column(
        name=f"{prefix}{found.name}{'[.REGION]' if parted else ''}",
        unit=found.unit,
        range=_interval(*found.range),
        meaning=f"{found.title[0].upper()}{found.title[1:]}, "
        f"{PREFIXES[prefix]}; {better[found.direction]}.",
    )


def _interval(low: float, high: float) -> str:
    if math.isinf(low) and math.isinf(high):
        return _ANY
    return f">= {low:g}" if math.isinf(high) else f"{low:g}..{high:.3g}"
