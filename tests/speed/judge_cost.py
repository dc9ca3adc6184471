"""What judging a result costs, share by share: ``python tests/speed/judge_cost.py``.

CPU seconds of one process with numeric libraries on one thread, for one result of 0.4 megapixels
and a stack of twelve frames; the least of three rounds, as a machine that is shared only adds.
Apart: what is worked out once for a stack and serves all its results. Aim: at most 2 s a result.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator

from threadpoolctl import threadpool_limits
from timing import cpu_s

from stacktruth import metrics
from stacktruth.runners.contract import Outcome
from stacktruth.runners.judge.agreement import misplaced
from stacktruth.runners.judge.artefact_scores import artefact_inputs, artefact_scores
from stacktruth.runners.judge.judged_view import IMAGE_METRICS
from stacktruth.runners.judge.limits import view_limits
from stacktruth.runners.judge.memory_stack import MemoryStack
from stacktruth.runners.judge.scoring import Judge
from stacktruth.runners.judge.true_stages import StackTruth
from stacktruth.runners.judge.view_of_picture import placed
from stacktruth.runners.methods import built_in
from stacktruth.runners.methods.picture.tone import to_float
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.shooting.shoot import shoot

Work = Callable[[], object]


def shares(judge: Judge, outcome: Outcome) -> Iterator[tuple[str, Work]]:
    """Yield the parts of judging one result."""
    assert outcome.result is not None
    view, raw = judge.view(), to_float(outcome.result.image, linear=True)
    truth, ideal, achievable = view.truth, view.ideal, view.achievable
    valid, masks, inputs = view.valid, view.masks, view.artefact_inputs
    yield (
        "motion and gain",
        lambda: metrics.bring_to_reference(raw, achievable, data_range=1.0, mask=valid),
    )
    yield "whether it lies there", lambda: misplaced(raw, achievable, valid)
    for name in IMAGE_METRICS:
        yield (
            f"{name}, twice",
            lambda name=name: [
                metrics.score_image(raw, other, masks=masks, data_range=1.0, names=(name,))
                for other in (ideal, achievable)
            ],
        )
    yield "artefacts", lambda: artefact_scores(raw, inputs, inside=valid)
    yield (
        "depth",
        lambda: metrics.score_depth(
            truth.depth_mm + 0.01, truth.depth_mm, masks=masks, dof_mm=0.3, origin_mm=-10.0
        ),
    )


def once(judge: Judge, outcome: Outcome) -> Iterator[tuple[str, Work]]:
    """Yield what is worked out once for a stack, and the search for an unknown view."""
    assert outcome.result is not None
    truth, raw = judge.truth(), to_float(outcome.result.image, linear=True)
    given = StackTruth(judge.shoot, truth, judge.stack.frames)
    known = judge.known_views
    yield "limits of a view (once a stack)", lambda: view_limits(given)
    yield "what artefacts need (once a stack)", lambda: artefact_inputs(judge.shoot, truth)
    files = {
        "as it is": raw,
        "half its size": raw[::2, ::2],
        "turned over": raw[::-1, ::-1],
        "cropped": raw[20:-44, 36:-12],
    }
    for how, picture in files.items():
        yield (
            f"search for the view, {how}",
            lambda picture=picture: placed(picture, None, known=known),
        )


def judged(scene_name: str, *, rounds: int) -> tuple[Judge, Outcome, float]:
    """Return a judge, a result of 0.4 megapixels, and the CPU seconds that judging it takes."""
    scene = load_scene(scene_name)
    plan = shoot(scene, load_rig(scene.rig), stance="braced", seed=1, frames=12,
                 crop=(1568, 1024), bin=2)  # fmt: skip
    judge = Judge(MemoryStack(plan))
    result = built_in("focus-map")(judge.stack.frames, judge.stack.info)
    outcome = Outcome(status="ok", result=result)
    judge.score(outcome, name="first")
    whole = min(cpu_s(lambda: judge.score(outcome, name="again")) for _ in range(rounds))
    return judge, outcome, whole


def main() -> None:
    """Print seconds of CPU and shares."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--scene", default="sticky-leaf")
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    with threadpool_limits(1):
        judge, outcome, whole = judged(asked.scene, rounds=asked.rounds)
        rows, cols = judge.truth().depth_mm.shape
        print(f"{cols} x {rows} px, {judge.shoot.frames} frames: one result {whole:.2f} s (aim: 2)")
        for name, work in shares(judge, outcome):
            least = min(cpu_s(work) for _ in range(asked.rounds))
            print(f"  {name:36} {least:5.2f} s {least / whole:4.0%}", flush=True)
        for name, work in once(judge, outcome):
            print(f"{name:38} {min(cpu_s(work) for _ in range(asked.rounds)):5.2f} s", flush=True)


if __name__ == "__main__":
    main()
