"""Scores methods on a stack: what was lost in capture, selection and merge; depth; by region."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from tqdm import tqdm

from ... import metrics
from ...ground.srgb import clipped_srgb, decode_srgb
from ...ground.types import Bools, Floats
from ...metrics.image.regions import EVERYWHERE
from ...simulator.shooting.any_shoot import AnyShoot
from ...simulator.shooting.truth import REGIONS, Truth
from ..contract import InvalidOutput, Outcome, Result
from ..isolate.run import Method, find_method, run_method
from ..methods.picture.tone import to_float
from .agreement import misplaced
from .any_stack import AnyStack
from .artefact_scores import (
    ArtefactInputs,
    absent_artefacts,
    artefact_inputs,
    artefact_scores,
)
from .depth_scores import depth_scores
from .exposure import exposure_columns, frame_gains, refuse_wrong_colours
from .limits import ViewLimits, above_limits, loss_db, view_limits
from .true_stages import StackTruth
from .view_of_picture import NotRegisteredError, placed

if TYPE_CHECKING:
    import pandas as pd

#: By the limit's name, region and metric.
LimitScores = Mapping[str, Mapping[str, Mapping[str, float]]]
#: Regions scored one by one, beside the whole valid picture.
SCORED_REGIONS = tuple(REGIONS)
#: Whether a result is in the view that the stack names, or in one of its own choice.
GIVEN, OWN = "given", "own"
#: A result that shows less of the view is compared with the limits over what it shows.
_WHOLE_SHARE = 0.95
IMAGE_METRICS = ("psnr_db", "ssim", "ciede2000_mean", "gradient_error")
#: Those of them that are told of the picture as it is exposed: no gain is forgiven.
AS_EXPOSED = ("ciede2000_mean",)


@dataclass(frozen=True, kw_only=True, eq=False)
class Scored:
    """A method's outcome on a stack, with the row that says what it is worth.

    Parameters
    ----------
    row : dict
        One flat row of the table.
    outcome : Outcome
    image : array (rows, cols, 3) or None
        The result brought to the reference, sRGB-encoded 0..1.
    depth_mm : array (rows, cols) or None
    truth : Truth or None
        In the view that the result was compared in.
    judged : array (rows, cols) of bool, or None
        Where the result was compared.
    """

    row: dict[str, Any]
    outcome: Outcome
    image: Floats | None = None
    depth_mm: Floats | None = None
    truth: Truth | None = None
    judged: Bools | None = None


@dataclass(eq=False)
class Judge:
    """Scores results on one stack; truths in other views are rendered once and kept.

    Parameters
    ----------
    stack : AnyStack
    artefacts : bool
        Whether to look for artefacts, which takes about as long as all other scores.
    hidden : tuple of Path
        Folders that no method may read, beside the stack's own.
    """

    stack: AnyStack
    artefacts: bool = True
    hidden: tuple[Path, ...] = ()
    _truths: dict[int, Truth] = field(default_factory=dict)
    _limits: dict[int, ViewLimits] = field(default_factory=dict)
    _limit_scores: dict[int, LimitScores] = field(default_factory=dict)
    _inputs: dict[int, ArtefactInputs] = field(default_factory=dict)

    @property
    def shoot(self) -> AnyShoot:
        """The shoot behind the stack."""
        return self.stack.shoot

    def truth(self, reference: int | None = None) -> Truth:
        """Return the truth in the view of a frame; None is the stack's own reference."""
        own = self.stack.truth
        if reference is None or reference == own.reference:
            return own
        if reference not in self._truths:
            self._truths[reference] = self.shoot.truth(reference)
        return self._truths[reference]

    def limits(self, reference: int | None = None) -> ViewLimits:
        """Return what the frames allow in the view of a frame; None is the stack's own."""
        truth = self.truth(reference)
        if truth.reference not in self._limits:
            given = StackTruth(self.shoot, truth, self.stack.frames)
            self._limits[truth.reference] = view_limits(given)
        return self._limits[truth.reference]

    def run(
        self,
        method: str | Method,
        *,
        time_limit_s: float | None = None,
        memory_limit_mb: float | None = None,
    ) -> Scored:
        """Run a method on the stack and score what it returns.

        Parameters
        ----------
        method : str or Method
            As for `runners.isolate.run.find_method`.
        time_limit_s, memory_limit_mb : float or None
            Wall time and resident memory of all its processes.
        """
        if isinstance(method, str):
            method = find_method(method)
        outcome = run_method(
            method,
            self.stack.frames,
            self.stack.info,
            time_limit_s=time_limit_s,
            memory_limit_mb=memory_limit_mb,
            truth=StackTruth(self.shoot, self.truth(), self.stack.frames),
            hidden=self.hidden,
        )
        score = self.score_anywhere if method.view_is_unknown else self.score
        return score(outcome, name=method.name, kind=method.kind, version=method.version)

    def score_anywhere(
        self,
        outcome: Outcome,
        *,
        name: str,
        kind: str = "file",
        version: str = "",
        views: Sequence[int] | None = None,
    ) -> Scored:
        """Score an outcome whose picture may be in any frame's view, and of any size and turn.

        Parameters
        ----------
        outcome : Outcome
        name, kind, version : str
            As for `score`.
        views : sequence of int or None
            Frames in whose view it may be; None: all.
        """
        result = outcome.result
        if result is None:
            return self.score(outcome, name=name, kind=kind, version=version)
        picture = self._encoded(result)
        try:
            found = placed(picture, result.depth, shoot=self.shoot, truth=self.truth(), views=views)
        except NotRegisteredError as error:
            outcome = replace(outcome, status="invalid-output", reason=str(error), result=None)
            return self.score(outcome, name=name, kind=kind, version=version)
        if found.image is picture:
            moved = replace(result, reference=found.view)
        else:
            image = decode_srgb(found.image) if self._is_linear else found.image
            moved = replace(result, image=image, depth=found.depth, reference=found.view)
        return self.score(
            replace(outcome, result=moved),
            name=name,
            kind=kind,
            version=version,
            shown=found.inside,
            told=found.told,
        )

    def score(
        self,
        outcome: Outcome,
        *,
        name: str,
        kind: str = "file",
        version: str = "",
        shown: Bools | None = None,
        told: str = "",
    ) -> Scored:
        """Score an outcome; one that is not ok gives a row with its status and reason alone.

        Parameters
        ----------
        outcome : Outcome
            Its picture has the frames' size and is in the view of its reference; None there is
            the stack's own.
        name, kind, version : str
            Of what made it.
        shown : array (rows, cols) of bool, or None
            What the picture shows of the view; None: all.
        told : str
            What was done to bring it there.
        """
        named = partial(without_result, self.shoot, name=name, kind=kind, version=version)
        if outcome.result is None:
            return named(outcome)
        truth = self.truth(outcome.result.reference)
        brought, judged = self._brought(outcome.result, truth, shown)
        try:
            # A sharp picture of a pass with gaps has detail that no frame has: either may agree.
            pictures = (clipped_srgb(truth.achievable), clipped_srgb(truth.ideal))
            wrongs = [misplaced(brought.evened(), picture, judged) for picture in pictures]
            if all(wrongs):
                wrong = wrongs[0]
                view = f"the picture is not in the view of frame {truth.reference}"
                raise InvalidOutput(f"{view}: {wrong}")
            refuse_wrong_colours(brought.as_exposed, clipped_srgb(truth.ideal), mask=judged)
        except InvalidOutput as error:
            return named(replace(outcome, status="invalid-output", reason=str(error), result=None))
        depth_mm, depth_scores = self._depth_scores(outcome.result, truth)
        row = {
            **named(outcome).row,
            "reference": truth.reference,
            "view": GIVEN if truth.reference == self.stack.truth.reference else OWN,
            "brought": told,
            "shown_share": _share(judged, truth.mask("valid")),
            **self._image_scores(outcome.result, truth, brought, judged),
            **depth_scores,
        }
        return Scored(
            row=row,
            outcome=outcome,
            image=brought.image,
            depth_mm=depth_mm,
            truth=truth,
            judged=judged,
        )

    @property
    def _is_linear(self) -> bool:
        return bool(self.stack.info["encoding"] == "linear")

    def _encoded(self, result: Result) -> Floats:
        raw = to_float(result.image, linear=True)
        return clipped_srgb(raw) if self._is_linear else raw

    def _brought(
        self, result: Result, truth: Truth, shown: Bools | None
    ) -> tuple[metrics.Registered, Bools]:
        """Return a result without its residual motion and gain, and where it is judged."""
        valid = truth.mask("valid")
        trusted = valid if shown is None else valid & shown
        # Fitted to the achievable picture, which has the same blur where no frame is sharp.
        brought = metrics.bring_to_reference(
            self._encoded(result),
            clipped_srgb(truth.achievable),
            data_range=1.0,
            ideal=clipped_srgb(truth.ideal),
            frame_gains=frame_gains(self.shoot),
            mask=trusted,
        )
        return brought, trusted & brought.inside

    def _image_scores(
        self, result: Result, truth: Truth, brought: metrics.Registered, judged: Bools
    ) -> dict[str, Any]:
        ideal, achievable = clipped_srgb(truth.ideal), clipped_srgb(truth.achievable)
        raw, valid = self._encoded(result), truth.mask("valid")
        masks = metrics.within(_masks(truth), judged)
        total = _scores(brought, ideal, masks)
        merge = _scores(brought, achievable, masks)
        return {
            "residual_px": brought.residual_px,
            **exposure_columns(brought.exposure),
            "colour_kept": metrics.colour_kept(
                brought.image, ideal, data_range=1.0, mask=masks["valid"]
            ),
            "total.psnr_db_as_given": metrics.psnr_db(raw, ideal, data_range=1.0, mask=valid),
            **_columns(total, "total"),
            **_columns(merge, "merge"),
            **self._limit_columns(truth, total, judged),
            **self._artefacts(brought, truth),
        }

    def _limit_columns(
        self, truth: Truth, total: Mapping[str, Mapping[str, float]], judged: Bools
    ) -> dict[str, Any]:
        """Return the limits, what was lost on the way, and which limits are passed."""
        limits = self.limits(truth.reference)
        scores = self._scores_of_limits(truth, judged)
        psnr = {name: scores[name][EVERYWHERE]["psnr_db"] for name in scores}
        margins = limits.margins_db(psnr["selection"])
        losses = {
            region: {
                "selection_loss_db": loss_db(
                    scores["capture"][region]["psnr_db"], scores["selection"][region]["psnr_db"]
                ),
                "merge_loss_db": loss_db(scores["selection"][region]["psnr_db"], values["psnr_db"]),
            }
            for region, values in total.items()
        }
        return {
            **_columns(scores["capture"], "capture"),
            **_columns(scores["selection"], "selection"),
            **_columns(losses, ""),
            **{f"{name}.margin_db": margin for name, margin in margins.items()},
            "above_limit": above_limits(total[EVERYWHERE]["psnr_db"], psnr, margins),
        }

    def _artefacts(self, brought: metrics.Registered, truth: Truth) -> dict[str, float | str]:
        if not self.artefacts:
            return {"artefacts.absent": "not looked for"}
        if truth.reference not in self._inputs:
            self._inputs[truth.reference] = artefact_inputs(self.shoot, truth)
        inputs = self._inputs[truth.reference]
        # A wrong exposure is charged elsewhere; it is no artefact.
        scores = artefact_scores(brought.evened(), inputs, inside=brought.inside)
        columns: dict[str, float | str] = {f"artefacts.{name}": v for name, v in scores.items()}
        return columns | {"artefacts.absent": absent_artefacts(scores)}

    def _scores_of_limits(self, truth: Truth, judged: Bools) -> LimitScores:
        """Score the limits' pictures; for a picture that shows a part, over that part alone."""
        ideal, limits = clipped_srgb(truth.ideal), self.limits(truth.reference)
        pictures = {"capture": limits.capture, "selection": limits.selection}
        ask = partial(metrics.score_image, data_range=1.0, names=IMAGE_METRICS)
        if _share(judged, truth.mask("valid")) < _WHOLE_SHARE:
            masks = metrics.within(_masks(truth), judged)
            return {name: ask(picture, ideal, masks=masks) for name, picture in pictures.items()}
        if truth.reference not in self._limit_scores:
            masks = _masks(truth)
            self._limit_scores[truth.reference] = {
                name: ask(picture, ideal, masks=masks) for name, picture in pictures.items()
            }
        return self._limit_scores[truth.reference]

    def _depth_scores(self, result: Result, truth: Truth) -> tuple[Floats | None, dict[str, Any]]:
        return depth_scores(result, truth, self.shoot, masks=_masks(truth))


def without_result(
    shoot: AnyShoot, outcome: Outcome, *, name: str, kind: str = "file", version: str = ""
) -> Scored:
    """Return the row of an outcome without scores: what was shot, by which method, how it ended."""
    return Scored(
        outcome=outcome,
        row={
            "scene": shoot.scene.name,
            "rig": shoot.rig.name,
            "stance": shoot.stance.name,
            "light": shoot.light.name,
            "subject": shoot.subject.name,
            "frames": shoot.frames,
            "seed": shoot.seed,
            "quality": shoot.quality,
            "method": name,
            "kind": kind,
            "version": outcome.version or version,
            "version_covers": outcome.covers,
            "status": outcome.status,
            "reason": outcome.reason,
            "seconds": outcome.seconds,
            "peak_mb": outcome.peak_mb,
            "isolation": outcome.isolation,
        },
    )


def score_stack(
    stack: AnyStack | Judge,
    methods: Iterable[str | Method],
    *,
    time_limit_s: float | None = None,
    memory_limit_mb: float | None = None,
    artefacts: bool = True,
    progress: bool = False,
) -> list[Scored]:
    """Run and score methods on a stack, one after another.

    Parameters
    ----------
    stack : AnyStack or Judge
        A judge keeps what it worked out, and whether it looks for artefacts.
    methods : iterable of str or Method
    time_limit_s, memory_limit_mb : float or None
        For each method.
    artefacts : bool
        As for `Judge`.
    progress : bool
        Whether to draw a progress bar on stderr.

    Returns
    -------
    list of Scored
        In the order of ``methods``.
    """
    judge = stack if isinstance(stack, Judge) else Judge(stack, artefacts=artefacts)
    found = [find_method(item) if isinstance(item, str) else item for item in methods]
    return [
        judge.run(method, time_limit_s=time_limit_s, memory_limit_mb=memory_limit_mb)
        for method in tqdm(found, desc="methods", unit="method", disable=not progress)
    ]


def score(
    stack: AnyStack,
    method: str | Method,
    *,
    time_limit_s: float | None = None,
    memory_limit_mb: float | None = None,
) -> pd.DataFrame:
    """Run one method on a stack and return its scores as a table of one row.

    Parameters
    ----------
    stack : AnyStack
    method : str or Method
        Name of a built-in, ``file.py:function``, or a command line with ``{output}``.
    time_limit_s, memory_limit_mb : float or None
        Wall time and resident memory of all its processes.
    """
    judge = Judge(stack)
    row = judge.run(method, time_limit_s=time_limit_s, memory_limit_mb=memory_limit_mb)
    return table([row])


def table(scored: Iterable[Scored]) -> pd.DataFrame:
    """Return the rows as one table."""
    import pandas as pd  # noqa: PLC0415 - slow to load, and a benchmark's workers make no table

    return pd.DataFrame([item.row for item in scored])


def _share(judged: Bools, valid: Bools) -> float:
    return int(np.count_nonzero(judged & valid)) / max(int(np.count_nonzero(valid)), 1)


def _masks(truth: Truth) -> dict[str, Bools]:
    valid = truth.mask("valid")
    return {name: truth.mask(name) & valid for name in SCORED_REGIONS}


def _scores(
    brought: metrics.Registered, reference: Floats, masks: Mapping[str, Bools]
) -> dict[str, dict[str, float]]:
    """Score a result: its colours as a viewer sees them, all else after the forgiven gain."""
    ask = partial(metrics.score_image, masks=masks, data_range=1.0)
    after = [name for name in IMAGE_METRICS if name not in AS_EXPOSED]
    scores = ask(brought.image, reference, names=after)
    seen = ask(brought.as_exposed, reference, names=AS_EXPOSED)
    return {region: values | seen[region] for region, values in scores.items()}


def _columns(scores: Mapping[str, Mapping[str, float]], prefix: str) -> dict[str, Any]:
    return metrics.wide_row(scores, prefix=f"{prefix}." if prefix else "")
