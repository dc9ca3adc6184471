"""A review as plain data, for programs."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from .review import Review
from .words import NOTE, remark, sentences, title

#: Version of the record: raised when a key changes its meaning or is taken out.
FORMAT = 1


def review_record(review: Review) -> dict[str, Any]:
    """Return a review as dicts, lists, numbers and text; lengths in mm, shares 0 to 1."""
    names = [frame.name for frame in review.frames if frame.place is not None]
    return {
        "format": FORMAT,
        "title": title(review),
        "verdict": review.verdict,
        "words": sentences(review),
        "note": NOTE,
        "rig": review.rig.name,
        "depth_of_field_mm": review.lane.total_mm,
        "blur_px": review.blur_px,
        "reference": review.frames[review.reference].name,
        "order_from": review.times_from,
        "shares": dict(review.shares),
        "gaps": [
            {
                "before": None if gap.before is None else names[gap.before],
                "behind": None if gap.behind is None else names[gap.behind],
                "near_mm": gap.near_mm,
                "far_mm": gap.far_mm,
                "size_mm": gap.size_mm,
                "error_mm": gap.error_mm,
                "share": gap.share,
            }
            for gap in review.held.gaps
        ],
        "frames": [asdict(frame) | {"remark": remark(frame)} for frame in review.frames],
    }
