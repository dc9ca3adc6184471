"""A view that results are judged in: its truth and what the frames allow, each found once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np

from ... import metrics
from ...ground.srgb import clipped_srgb
from ...ground.types import Bools, Floats
from ...simulator.shooting.truth import REGIONS, Truth
from .any_stack import AnyStack
from .artefact_scores import ArtefactInputs, artefact_inputs
from .limits import ViewLimits, view_limits
from .true_stages import StackTruth

#: By the limit's name, region and metric.
LimitScores = Mapping[str, Mapping[str, Mapping[str, float]]]
#: Regions scored one by one, beside the whole valid picture.
SCORED_REGIONS = tuple(REGIONS)
IMAGE_METRICS = ("psnr_db", "ssim", "ciede2000_mean", "gradient_error")
#: A result that shows less of the view is compared with the limits over what it shows.
_WHOLE_SHARE = 0.95


@dataclass(frozen=True, eq=False)
class JudgedView:
    """The view of one frame.

    Parameters
    ----------
    stack : AnyStack
    truth : Truth
        In that view.
    """

    stack: AnyStack
    truth: Truth

    @cached_property
    def ideal(self) -> Floats:
        """The view all in focus, encoded as results are, (rows, cols, 3)."""
        return clipped_srgb(self.truth.ideal)

    @cached_property
    def achievable(self) -> Floats:
        """The view with the least defocus of any usable frame, encoded, (rows, cols, 3)."""
        return clipped_srgb(self.truth.achievable)

    @cached_property
    def valid(self) -> Bools:
        """Where the truth is known, (rows, cols)."""
        return self.truth.mask("valid")

    @cached_property
    def masks(self) -> Mapping[str, Bools]:
        """The regions that are scored."""
        return {name: self.truth.mask(name) & self.valid for name in SCORED_REGIONS}

    @cached_property
    def given(self) -> StackTruth:
        """The truth as truth-fed stages take it."""
        return StackTruth(self.stack.shoot, self.truth, self.stack.frames)

    @cached_property
    def limits(self) -> ViewLimits:
        """What the frames allow."""
        return view_limits(self.given)

    @cached_property
    def artefact_inputs(self) -> ArtefactInputs:
        """What artefacts are told by."""
        return artefact_inputs(self.stack.shoot, self.truth)

    def share_of(self, judged: Bools) -> float:
        """Return how much of what is known is judged, 0..1."""
        known = int(np.count_nonzero(self.valid))
        return int(np.count_nonzero(judged & self.valid)) / max(known, 1)

    def scores_of_limits(self, judged: Bools) -> LimitScores:
        """Score the limits' pictures; for a result that shows a part, over that part alone."""
        if self.share_of(judged) < _WHOLE_SHARE:
            return self._limit_scores(metrics.within(self.masks, judged))
        return self._whole_limit_scores

    @cached_property
    def _whole_limit_scores(self) -> LimitScores:
        return self._limit_scores(self.masks)

    def _limit_scores(self, masks: Mapping[str, Bools]) -> LimitScores:
        pictures = {"capture": self.limits.capture, "selection": self.limits.selection}
        ask = partial(metrics.score_image, masks=masks, data_range=1.0, names=IMAGE_METRICS)
        return {name: ask(picture, self.ideal) for name, picture in pictures.items()}
