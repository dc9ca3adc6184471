"""A view that results are judged in: its truth and what the frames allow, each found once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np

from ... import metrics
from ...ground.srgb import clipped_srgb
from ...ground.types import Bools, Floats
from ...metrics.image.image import score_pair
from ...metrics.image.pair import ImagePair
from ...metrics.image.picture import Picture
from ...simulator.shooting.truth import REGIONS, REGIONS_OF, Truth
from .any_stack import AnyStack
from .artefact_scores import ArtefactInputs, artefact_inputs
from .limits import ViewLimits, view_limits
from .seen_by_frames import SeenByFrames
from .true_stages import StackTruth

#: By the limit's name, region and metric.
LimitScores = Mapping[str, Mapping[str, Mapping[str, float]]]
#: Regions scored one by one, beside the whole valid picture.
SCORED_REGIONS = (*REGIONS, *(name for bits in REGIONS_OF.values() for name in bits))
IMAGE_METRICS = ("psnr_db", "ssim", "ciede2000_mean", "gradient_error")


@dataclass(frozen=True, eq=False)
class JudgedView:
    """The view of one frame.

    Parameters
    ----------
    stack : AnyStack
    truth : Truth
        In that view.
    sights : SeenByFrames or None
        What the stack's frames see, for all views of it.
    """

    stack: AnyStack
    truth: Truth
    sights: SeenByFrames | None = None

    @cached_property
    def ideal(self) -> Floats:
        """The view all in focus, encoded as results are, (rows, cols, 3)."""
        return clipped_srgb(self.truth.ideal)

    @cached_property
    def pictures(self) -> tuple[Picture, Picture]:
        """The ideal and the achievable picture with what metrics need of them."""
        return Picture(self.ideal), Picture(self.achievable)

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
        return {name: self.truth.mask(name) & self.valid for name in self.truth.region_bits}

    @cached_property
    def given(self) -> StackTruth:
        """The truth as truth-fed stages take it."""
        return StackTruth(self.stack.shoot, self.truth, self.stack.frames, self.sights)

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
        """Score the limits' pictures over exactly what a result is judged on."""
        if np.array_equal(judged & self.valid, self.valid):
            return self._whole_limit_scores
        return self._limit_scores(metrics.within(self.masks, judged))

    @cached_property
    def _whole_limit_scores(self) -> LimitScores:
        return self._limit_scores(self.masks)

    @cached_property
    def _limit_pairs(self) -> Mapping[str, ImagePair]:
        """The limits' pictures beside the ideal; their maps serve all results."""
        pictures = {"capture": self.limits.capture, "selection": self.limits.selection}
        pair = partial(ImagePair, data_range=1.0)
        return {name: pair(picture, self.pictures[0]) for name, picture in pictures.items()}

    def _limit_scores(self, masks: Mapping[str, Bools]) -> LimitScores:
        ask = partial(score_pair, masks=masks, names=IMAGE_METRICS)
        return {name: ask(pair) for name, pair in self._limit_pairs.items()}
