"""One try of a plan rendered, merged by some methods, and told as a page."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ...judge.memory_stack import JoinedShoots, MemoryStack
from ...judge.scoring import Judge, Scored
from ...methods.picture.tone import to_light
from ..draw.planned import Planned
from ..show.words import percent
from .study import StudySetup, depth_in_view
from .tries import Try, try_of
from .try_page import WIDE, ShownPicture, as_shown, marked, try_page


def merged_try(planned: Planned, setup: StudySetup, *, methods: Sequence[str], seed: int) -> str:
    """Shoot what was planned once, merge it by each method, and return the page of it as HTML.

    Parameters
    ----------
    planned : Planned
    setup : StudySetup
        Its own method is not used.
    methods : sequence of str
        As `runners.isolate.run.find_method` takes them.
    seed : int
        Another seed is another try.
    """
    near, far = depth_in_view(setup.scene, planned.setting.rig, crop=setup.crop)
    # A plan is a look, and somebody waits for it: fast.
    how = {"crop": setup.crop, "bin": setup.bin, "quality": "fast"}
    made = try_of(planned, setup.scene, ends_mm=(near, far), seed=seed, **how)
    stack = MemoryStack(JoinedShoots(shoots=made.shoots))
    judge = Judge(stack)
    scores = [judge.run(method) for method in methods]
    first = [0, *made.lanes.later_passes]
    return try_page(
        made,
        lambda number, own: stack.frames[first[number] + own],
        pictures=[*(_merged(one) for one in scores if one.outcome.result), _never(made, stack)],
        more=[
            f"{one.row['method']} merged nothing: {one.outcome.status}, {one.outcome.reason}."
            for one in scores
            if not one.outcome.result
        ],
    )


def _merged(one: Scored) -> ShownPicture:
    row, result = one.row, one.outcome.result
    assert result is not None
    found, allowed = row.get("total.psnr_db"), row.get("capture.psnr_db")
    note = f"{row['status']}: {row['reason']}"
    if found is not None and allowed is not None:
        note = f"{found:.1f} dB against the ideal picture; these frames allow {allowed:.1f} dB."
    light = to_light(result.image, linear=False)
    heading = f"Merged by {row['method']}"
    return ShownPicture(heading=heading, note=note, image=as_shown(light, wide=WIDE))


def _never(made: Try, stack: MemoryStack) -> ShownPicture:
    """Return the sharpest picture that the frames hold, red where none is sharp."""
    truth = stack.truth
    valid = truth.mask("valid")
    never = truth.mask("never-in-focus") & valid
    with np.errstate(invalid="ignore"):
        beyond = never & (truth.depth_mm > made.near_mm + made.planned.setting.depth_mm)
    all_of_it, far = (found.sum() / max(int(valid.sum()), 1) for found in (never, beyond))
    note = (
        f"Red: {percent(all_of_it)} of the picture, in frame {stack.shoot.reference + 1}'s view; "
        f"{percent(far)} lies beyond the depth that was planned for, {percent(all_of_it - far)} "
        "within it: in a gap, or at an edge that the frames which hold its depth do not show."
    )
    return ShownPicture(
        heading="What no frame shows sharp",
        note=note,
        image=as_shown(marked(truth.achievable, never), wide=WIDE),
    )
