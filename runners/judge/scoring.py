"""Scores methods on a stack: capture, merge and total loss, depth, by region."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tqdm import tqdm

from ... import metrics
from ...ground.srgb import clipped_srgb
from ...ground.types import Bools, Floats
from ...simulator.shooting.any_shoot import AnyShoot
from ...simulator.shooting.truth import REGIONS, Truth
from ..contract import InvalidOutput, Outcome, Result
from ..isolate.run import Method, find_method, run_method
from ..methods.picture.tone import to_float
from .any_stack import AnyStack
from .artefact_scores import (
    ArtefactInputs,
    absent_artefacts,
    artefact_inputs,
    artefact_scores,
)
from .depth_scores import depth_scores
from .exposure import exposure_columns, frame_gains, refuse_wrong_colours
from .true_stages import StackTruth

if TYPE_CHECKING:
    import pandas as pd

#: Regions scored one by one, beside the whole valid picture.
SCORED_REGIONS = tuple(REGIONS)
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
    """

    row: dict[str, Any]
    outcome: Outcome
    image: Floats | None = None
    depth_mm: Floats | None = None
    truth: Truth | None = None


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
    _capture: dict[int, dict[str, dict[str, float]]] = field(default_factory=dict)
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

    def run(
        self,
        method: str | Method,
        *,
        reference: int | None = None,
        time_limit_s: float | None = None,
        memory_limit_mb: float | None = None,
    ) -> Scored:
        """Run a method on the stack and score what it returns.

        Parameters
        ----------
        method : str or Method
            As for `runners.isolate.run.find_method`.
        reference : int or None
            Frame in whose view a method with true stages merges; None is the stack's own.
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
            truth=StackTruth(self.shoot, self.truth(reference), self.stack.frames),
            hidden=self.hidden,
        )
        return self.score(outcome, name=method.name, kind=method.kind, version=method.version)

    def score(
        self, outcome: Outcome, *, name: str, kind: str = "file", version: str = ""
    ) -> Scored:
        """Score an outcome; one that is not ok gives a row with its status and reason alone."""
        unscored = without_result(self.shoot, outcome, name=name, kind=kind, version=version)
        if outcome.result is None:
            return unscored
        truth = self.truth(outcome.result.reference)
        try:
            image, image_scores = self._image_scores(outcome.result, truth)
        except InvalidOutput as error:
            bad = replace(outcome, status="invalid-output", reason=str(error), result=None)
            return without_result(self.shoot, bad, name=name, kind=kind, version=version)
        depth_mm, depth_scores = self._depth_scores(outcome.result, truth)
        row = {**unscored.row, "reference": truth.reference, **image_scores, **depth_scores}
        return Scored(row=row, outcome=outcome, image=image, depth_mm=depth_mm, truth=truth)

    def _image_scores(self, result: Result, truth: Truth) -> tuple[Floats, dict[str, Any]]:
        ideal, achievable = clipped_srgb(truth.ideal), clipped_srgb(truth.achievable)
        raw = to_float(result.image, linear=True)
        if self.stack.info["encoding"] == "linear":
            raw = clipped_srgb(raw)
        valid = truth.mask("valid")
        # Fitted to the achievable picture, which has the same blur where no frame is sharp.
        brought = metrics.bring_to_reference(
            raw,
            achievable,
            data_range=1.0,
            ideal=ideal,
            frame_gains=frame_gains(self.shoot),
            mask=valid,
        )
        refuse_wrong_colours(brought.as_exposed, ideal, mask=valid & brought.inside)
        masks = metrics.within(_masks(truth), brought.inside)
        total = _scores(brought, ideal, masks)
        merge = _scores(brought, achievable, masks)
        capture = self._capture_scores(truth, ideal, achievable)
        losses = {
            region: {"merge_loss_db": capture[region]["psnr_db"] - values["psnr_db"]}
            for region, values in total.items()
        }
        return brought.image, {
            "residual_px": brought.residual_px,
            **exposure_columns(brought.exposure),
            "colour_kept": metrics.colour_kept(
                brought.image, ideal, data_range=1.0, mask=masks["valid"]
            ),
            "total.psnr_db_as_given": metrics.psnr_db(raw, ideal, data_range=1.0, mask=valid),
            **_columns(total, "total"),
            **_columns(merge, "merge"),
            **_columns(capture, "capture"),
            **_columns(losses, ""),
            **self._artefacts(brought, truth),
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

    def _capture_scores(
        self, truth: Truth, ideal: Floats, achievable: Floats
    ) -> dict[str, dict[str, float]]:
        if truth.reference not in self._capture:
            self._capture[truth.reference] = metrics.score_image(
                achievable, ideal, masks=_masks(truth), data_range=1.0, names=IMAGE_METRICS
            )
        return self._capture[truth.reference]

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
    stack: AnyStack,
    methods: Iterable[str | Method],
    *,
    time_limit_s: float | None = None,
    memory_limit_mb: float | None = None,
    artefacts: bool = True,
    progress: bool = False,
) -> list[Scored]:
    """Run and score methods on a stack, one after another.

    Each method merges in the view of a frame of its choice, and what is possible differs from
    view to view. So truth-fed methods come last, in the view that most others chose.

    Parameters
    ----------
    stack : AnyStack
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
    found = [find_method(item) if isinstance(item, str) else item for item in methods]
    done = run_all(
        Judge(stack, artefacts=artefacts),
        found,
        time_limit_s=time_limit_s,
        memory_limit_mb=memory_limit_mb,
    )
    bar = tqdm(done, total=len(found), desc="methods", unit="method", disable=not progress)
    scored = dict(bar)
    return [scored[number] for number in range(len(found))]


def run_all(
    judge: Judge,
    methods: Sequence[Method],
    *,
    views: Iterable[int] = (),
    time_limit_s: float | None = None,
    memory_limit_mb: float | None = None,
) -> Iterator[tuple[int, Scored]]:
    """Run and score methods one after another, truth-fed ones last.

    Parameters
    ----------
    judge : Judge
    methods : sequence of Method
    views : iterable of int
        Frames in whose view other methods merged, earlier.
    time_limit_s, memory_limit_mb : float or None
        For each method.

    Yields
    ------
    tuple of int and Scored
        Which of the methods, and its score.
    """
    chosen = list(views)
    for number in sorted(range(len(methods)), key=lambda number: methods[number].needs_truth):
        scored = judge.run(
            methods[number],
            reference=usual_view(chosen),
            time_limit_s=time_limit_s,
            memory_limit_mb=memory_limit_mb,
        )
        if scored.truth is not None and not methods[number].needs_truth:
            chosen.append(scored.truth.reference)
        yield number, scored


def usual_view(views: Sequence[int]) -> int | None:
    """Return the frame that most chose, in whose view truth-fed methods merge."""
    return max(sorted(set(views)), key=views.count) if views else None


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
