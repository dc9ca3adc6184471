"""Scores methods on a stack: what was lost in capture, selection and merge; depth; by region."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tqdm import tqdm

from ... import metrics
from ...ground.srgb import clipped_srgb, decode_srgb
from ...ground.types import Bools, Floats
from ...simulator.shooting.any_shoot import AnyShoot
from ...simulator.shooting.truth import Truth
from ..contract import InvalidOutput, Outcome, Result
from ..isolate.run import Method, find_method, run_method
from ..isolate.staying import StayingMethods
from ..methods.picture.tone import to_float
from .agreement import misplaced
from .any_stack import AnyStack
from .artefact_scores import absent_artefacts, artefact_scores
from .depth_scores import depth_scores
from .exposure import frame_gains, refuse_wrong_colours, refuse_wrong_scale
from .image_scores import image_columns
from .judged_view import JudgedView
from .known_views import KnownViews
from .limits import ViewLimits
from .seen_by_frames import SeenByFrames
from .view_of_picture import NotRegisteredError, placed

if TYPE_CHECKING:
    import pandas as pd

#: Whether a result is in the view that the stack names, or in one of its own choice.
GIVEN, OWN = "given", "own"


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
    staying : StayingMethods or None
        Keeps methods that may stay loaded, for other stacks.
    """

    stack: AnyStack
    artefacts: bool = True
    hidden: tuple[Path, ...] = ()
    staying: StayingMethods | None = None
    _views: dict[int, JudgedView] = field(default_factory=dict)

    @property
    def shoot(self) -> AnyShoot:
        """The shoot behind the stack."""
        return self.stack.shoot

    def view(self, reference: int | None = None) -> JudgedView:
        """Return the view of a frame; None is the stack's own reference."""
        own = self.stack.truth
        number = own.reference if reference is None else reference
        if number not in self._views:
            truth = own if number == own.reference else self.shoot.truth(number)
            self._views[number] = JudgedView(self.stack, truth, self.sights)
        return self._views[number]

    @cached_property
    def sights(self) -> SeenByFrames:
        """What the frames see, for all views."""
        return SeenByFrames(self.shoot)

    @cached_property
    def known_views(self) -> KnownViews:
        """What is known of all views, for the search of one."""
        return KnownViews(self.shoot, self.truth(), sights=self.sights)

    def truth(self, reference: int | None = None) -> Truth:
        """Return the truth in the view of a frame; None is the stack's own reference."""
        return self.view(reference).truth

    def limits(self, reference: int | None = None) -> ViewLimits:
        """Return what the frames allow in the view of a frame; None is the stack's own."""
        return self.view(reference).limits

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
            truth=self.view().given,
            hidden=self.hidden,
            staying=self.staying,
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
            found = placed(picture, result.depth, known=self.known_views, views=views)
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
            alike=found.alike,
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
        alike: tuple[int, ...] = (),
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
        alike : tuple of int
            Frames whose views it may as well be in.
        """
        named = partial(without_result, self.shoot, name=name, kind=kind, version=version)
        result = outcome.result
        if result is None:
            return named(outcome)
        view, encoded = self.view(result.reference), self._encoded(result)
        brought, judged = self._brought(encoded, view, shown)
        evened = brought.evened()
        try:
            refuse_wrong_scale(encoded, view.ideal, mask=judged)
            refuse_misplaced(evened, view, judged)
            refuse_wrong_colours(brought.as_exposed, view.ideal, mask=judged)
        except InvalidOutput as error:
            return named(replace(outcome, status="invalid-output", reason=str(error), result=None))
        depth_mm, depth_columns = depth_scores(result, view.truth, self.shoot, masks=view.masks)
        row = {
            **named(outcome).row,
            "reference": view.truth.reference,
            "view": GIVEN if view.truth.reference == self.stack.truth.reference else OWN,
            "brought": told,
            "view_alike": ", ".join(map(str, alike)),
            "shown_share": view.share_of(judged),
            **image_columns(encoded, brought, view, judged),
            **self._artefacts(evened, brought.inside, view),
            **depth_columns,
        }
        return Scored(
            row=row,
            outcome=outcome,
            image=brought.image,
            depth_mm=depth_mm,
            truth=view.truth,
            judged=judged,
        )

    @property
    def _is_linear(self) -> bool:
        return bool(self.stack.info["encoding"] == "linear")

    def _encoded(self, result: Result) -> Floats:
        raw = to_float(result.image, linear=True)
        return clipped_srgb(raw) if self._is_linear else raw

    def _brought(
        self, encoded: Floats, view: JudgedView, shown: Bools | None
    ) -> tuple[metrics.Registered, Bools]:
        """Return a result without its residual motion and gain, and where it is judged."""
        trusted = view.valid if shown is None else view.valid & shown
        # Fitted to the achievable picture, which has the same blur where no frame is sharp.
        brought = metrics.bring_to_reference(
            encoded,
            view.achievable,
            data_range=1.0,
            ideal=view.ideal,
            frame_gains=frame_gains(self.shoot),
            mask=trusted,
        )
        return brought, trusted & brought.inside

    def _artefacts(self, evened: Floats, inside: Bools, view: JudgedView) -> dict[str, float | str]:
        """Return the artefacts of a result; a wrong exposure is charged elsewhere and is none."""
        if not self.artefacts:
            return {"artefacts.absent": "not looked for"}
        scores = artefact_scores(evened, view.artefact_inputs, inside=inside)
        columns: dict[str, float | str] = {f"artefacts.{name}": v for name, v in scores.items()}
        return columns | {"artefacts.absent": absent_artefacts(scores)}


def refuse_misplaced(evened: Floats, view: JudgedView, judged: Bools) -> None:
    """Refuse a picture that lies neither on the achievable nor on the ideal one.

    A sharp picture of a pass with gaps has detail that no frame has: either may agree.

    Raises
    ------
    InvalidOutput
        With a sentence on where it lies.
    """
    wrong = misplaced(evened, view.achievable, judged)
    if wrong and misplaced(evened, view.ideal, judged):
        where = f"the picture is not in the view of frame {view.truth.reference}"
        raise InvalidOutput(f"{where}: {wrong}")


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
            "stays_loaded": outcome.stays_loaded,
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
