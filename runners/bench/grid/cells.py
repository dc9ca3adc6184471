"""The cells of a suite: one stack and one method each, named by a checksum of what goes in."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property

from ....ground.checksum import sha256
from ....ground.sources import code_checksum
from ....simulator.loading.scenes import load_scene
from ....simulator.optics import depth_of_field_mm
from ....simulator.rig import Rig, load_rig, stopped_to
from ....simulator.shooting.shoot import BLUR_CRITERION_UM, Shoot, shoot
from ....simulator.stack.manifest import canonical_json, plan_to_data, versions
from ....simulator.view.camera import Crop, crop_text
from ...isolate.method import Method, find_method, refuse_shared_labels
from ...isolate.methods_file import method_of
from .conditions import FACTORS
from .names import check_name, scene_called
from .suite import Ladder, Suite
from .windows import places_of, refuse_flat

#: First and last plane of focus of a pass, z in mm.
Ends = tuple[float | None, float | None]
#: Name of the stacks that no condition makes worse.
PLAIN = "plain"
_KEY_LENGTH = 20


@dataclass(frozen=True, kw_only=True, eq=False)
class StackSpec:
    """A stack of the suite.

    Parameters
    ----------
    shoot : Shoot
    condition : str
        What was made worse, or `PLAIN`.
    severity : int
        1 to 5; 0 for the plain stacks.
    value : float or None
        In the condition's unit.
    ends_mm : (near, far)
        Planes of focus that the pass was planned to go between; None for those of the scene.
    """

    shoot: Shoot
    condition: str = PLAIN
    severity: int = 0
    value: float | None = None
    ends_mm: Ends = (None, None)

    @property
    def window(self) -> str:
        """The part of the sensor as rows tell it; empty for all of it."""
        return crop_text(self.shoot.crop) if self.shoot.crop else ""

    @cached_property
    def key(self) -> str:
        """Checksum of the planned shoot, its place in the suite, and the simulator's code."""
        return _checksum(
            {
                "plan": plan_to_data(self.shoot),
                "place": [self.condition, self.severity],
                "code": versions()["code"],
            }
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Cell:
    """One method on one stack."""

    stack: StackSpec
    method: Method

    @cached_property
    def key(self) -> str:
        """Checksum of the stack, the method with its version, and the scoring code."""
        named = ("name", "kind", "spec", "version")
        method = {name: getattr(self.method, name) for name in named}
        if self.method.stays_loaded:
            method["stays_loaded"] = True
        return _checksum({"stack": self.stack.key, "method": method, "scoring": scoring_version()})


def stacks_of(suite: Suite) -> Iterator[StackSpec]:
    """Yield the suite's stacks in their order: the plain ones first, then each ladder."""
    plain = list(_planned(suite))
    yield from plain
    for ladder in suite.ladders:
        bases = [
            _shot_for(ladder, base, suite.frames) for base in plain if _made_worse(base, ladder)
        ]
        for severity, value in enumerate(ladder.values, start=1):
            for base in bases:
                worse = FACTORS[ladder.factor].apply(base, value)
                yield StackSpec(
                    shoot=worse, condition=ladder.factor, severity=severity, value=value
                )


def _made_worse(base: StackSpec, ladder: Ladder) -> bool:
    """Tell whether a ladder is for a stack."""
    scenes = [scene_called(asked) for asked in ladder.scenes]
    return (not scenes or base.shoot.scene.name in scenes) and (
        not ladder.stances or base.shoot.stance.name in ladder.stances
    )


def _shot_for(ladder: Ladder, planned: StackSpec, frames: int | None) -> Shoot:
    """Plan a shoot anew in the light and with the pixels of a ladder, if it has its own."""
    base = planned.shoot
    if ladder.light is None and ladder.crop is None and ladder.bin is None:
        return base
    near, far = planned.ends_mm if ladder.crop is None else (None, None)
    return shoot(
        base.scene,
        base.rig,
        stance=base.stance,
        light=ladder.light or base.light,
        subject=base.subject,
        frames=frames,
        seed=base.seed,
        near_mm=near,
        far_mm=far,
        crop=ladder.crop or base.crop,
        bin=ladder.bin or base.bin,
        quality=base.quality,
    )


def cells_of(suite: Suite) -> list[Cell]:
    """Return all cells in the suite's order; a stack's cells stand together.

    Raises
    ------
    ValueError
        A scene, rig or method that is not there, a name that could be taken for a path, or two
        methods of one name.
    """
    methods = [
        find_method(one) if isinstance(one, str) else method_of(one) for one in suite.methods
    ]
    for method in methods:
        check_name(method.name, what="name of a method", where=suite.name)
    refuse_shared_labels(methods)
    return [Cell(stack=stack, method=m) for stack in stacks_of(suite) for m in methods]


def by_stack(cells: Iterable[Cell]) -> dict[str, tuple[Cell, ...]]:
    """Return cells by the key of their stack, in order; equal cells appear once."""
    stacks: dict[str, dict[str, Cell]] = {}
    for cell in cells:
        stacks.setdefault(cell.stack.key, {})[cell.key] = cell
    return {stack: tuple(found.values()) for stack, found in stacks.items()}


def _planned(suite: Suite) -> Iterator[StackSpec]:
    for name in suite.scenes:
        scene = load_scene(name)
        check_name(scene.name, what="name of a scene", where=suite.name)
        for rig_name in suite.rigs or (scene.rig,):
            rig = load_rig(rig_name)
            if suite.f_number is not None:
                rig = stopped_to(rig, suite.f_number)
            parts = list(_parts(suite, name, rig))
            for stance in suite.stances:
                for light in suite.lights:
                    for subject in suite.subjects:
                        for seed in suite.seeds:
                            for own, crop, (near, far) in parts:
                                one = shoot(
                                    scene,
                                    own,
                                    stance=stance,
                                    light=light,
                                    subject=subject,
                                    frames=suite.frames,
                                    seed=seed,
                                    crop=crop,
                                    near_mm=near,
                                    far_mm=far,
                                    bin=suite.bin,
                                    quality=suite.quality,
                                )
                                yield StackSpec(shoot=one, ends_mm=(near, far))


def _parts(suite: Suite, name: str, rig: Rig) -> Iterator[tuple[Rig, Crop | None, Ends]]:
    """Yield rig, part of the sensor and ends of the pass; None leaves them as they are."""
    if not suite.windows or suite.crop is None:
        yield rig, suite.crop, (None, None)
        return
    for place in places_of(suite, name, rig):
        own = rig if place.f_number is None else stopped_to(rig, place.f_number)
        refuse_flat(place, own)
        margin = depth_of_field_mm(own, blur_um=BLUR_CRITERION_UM).total_mm / 2
        near, far = place.depth_mm
        yield own, place.crop, (near - margin, far + margin)


def scoring_version() -> str:
    """Return a checksum of the code that turns results into numbers."""
    return code_checksum("runners.judge", "metrics")


def _checksum(data: object) -> str:
    return sha256(canonical_json(data))[:_KEY_LENGTH]
