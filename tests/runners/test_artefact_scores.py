"""Artefacts on real stacks: what is put into a result raises its own column."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import ndimage
from skimage.registration import phase_cross_correlation

from stacktruth.ground.srgb import LUMA, clipped_srgb, decode_srgb
from stacktruth.runners.contract import Outcome, Result
from stacktruth.runners.judge.artefact_scores import (
    artefact_inputs,
    farthest_surface,
    noise_rms,
    pose_shifts_px,
)
from stacktruth.runners.judge.scoring import Judge
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.compositing.render import render
from stacktruth.simulator.handling.approach import Approach
from stacktruth.simulator.handling.hands import Stance
from stacktruth.simulator.shooting.shoot import Shoot, shoot
from stacktruth.simulator.shooting.truth import REGIONS
from stacktruth.simulator.stack.stackio import read_stack, write_stack
from stacktruth.simulator.view.camera import Camera

ARTEFACTS = (
    "halo_overshoot",
    "halo_width_px",
    "ghost",
    "see_through",
    "smear",
    "flicker_stops",
    "invented_detail",
)


SCENE = """
field_mm = [6, 4]
depth_mm = [-1, 2]

[[surface]]
name = "wall"
centre_mm = [0, 0, 2.0]
living = false
[surface.texture]
kind = "cells"
palette = ["#27351a", "#5f7436", "#9fae62"]
cell_mm = 0.2
border_colour = "#20301a"
blotch_mm = 0.6
tone = 0.5

[[surface]]
name = "hairs"
kind = "fibres"
living = false
count = 24
centre_mm = [-1.6, 0, 0.2]
spread_mm = [1.6, 2.4]
length_mm = [0.3, 0.6]
radius_um = [60, 40]
lean_deg = [85, 90]
heading_deg = [-4, 4]
curl = 0.0
drop_um = [60, 80]
drop_colour = [0.9, 0.1, 0.1]
root_colour = [0.3, 0.3, 0.3]
tip_colour = [0.9, 0.1, 0.1]

[[surface]]
name = "bar"
centre_mm = [0.9, 0, 0]
outline = { kind = "rectangle", size_mm = [1.6, 9] }
[surface.texture]
kind = "cells"
palette = ["#8a6a40", "#c9a97a", "#f0e0c0"]
cell_mm = 0.15
border_colour = "#6a5030"
blotch_mm = 0.6
tone = 0.5
"""


def small(scene: str | Path, **options: object) -> Shoot:
    """Plan a shoot of few small frames from a support, without noise."""
    settings = {"crop": (1152, 768), "bin": 4, "frames": 3, "noise": False, **options}
    return shoot(
        load_scene(scene),
        load_rig("field-2x"),
        stance=Stance(name="support"),
        light="flash-128th",
        approach=Approach(kind="stepped", start_mm=-0.4, step_mm=0.4),
        **settings,
    )


def judge_of(plan: Shoot, folder: Path) -> Judge:
    """Render and write a plan's stack and return its judge."""
    return Judge(read_stack(write_stack(plan, folder / plan.scene.name, progress=False)))


@pytest.fixture(scope="module", name="judge")
def bar(tmp_path_factory: pytest.TempPathFactory) -> Judge:
    """Judge a bar that moves in the wind and hairs that do not, before a wall."""
    folder = tmp_path_factory.mktemp("stacks")
    scene = folder / "bar.toml"
    scene.write_text(SCENE, encoding="utf-8")
    return judge_of(small(scene, subject="light-air", seed=3), folder)


def row(judge: Judge, encoded: np.ndarray) -> pd.Series:
    """Return the artefacts of a picture (sRGB-encoded) handed in as a result."""
    result = Result(image=np.clip(encoded, 0, 1).astype(np.float32))
    found = pd.Series(judge.score(Outcome(status="ok", result=result), name="given").row)
    names = [f"artefacts.{name}" for name in ARTEFACTS]
    return found[names].astype(float).rename(lambda name: name.removeprefix("artefacts."))


def test_the_achievable_picture_has_no_artefact(judge: Judge) -> None:
    """Not a trace of any."""
    found = row(judge, clipped_srgb(judge.truth().achievable))
    np.testing.assert_allclose(found.to_numpy(), 0.0, atol=1e-3)


def test_what_is_true_was_not_invented(judge: Judge) -> None:
    """The ideal picture has detail that the achievable one lacks, and invents nothing.

    The judge knows its luma as encoded alone, so that of coloured edges 0.002 is left.
    """
    assert judge.truth().residual_blur_px[judge.truth().mask("valid")].mean() > 0.5
    found = row(judge, clipped_srgb(judge.truth().ideal))
    assert found["invented_detail"] == pytest.approx(0, abs=3e-3)


def with_halo(judge: Judge) -> np.ndarray:
    """Drive the wall away from the colour of the bar near it by 0.1, fading over 4 px."""
    truth = judge.truth()
    away = ndimage.distance_transform_edt(~bar_of(judge)) - 0.5
    fade = np.where(away > 0, np.exp(-np.maximum(away, 0) / 4), 0)
    return clipped_srgb(truth.achievable) - 0.1 * fade[..., None]


def focus_of(plan: Shoot) -> tuple[Camera, ...]:
    """Return the cameras of all frames, whose sharpest parts make the achievable picture."""
    return tuple(plan.camera(number) for number in range(plan.frames))


def with_ghost(judge: Judge) -> np.ndarray:
    """Mix in, by 40 %, the picture with the subject as it stood in another frame, rendered."""
    plan, truth = judge.shoot, judge.truth()
    here = plan.camera(truth.reference)
    frame = next(f for f in plan.records if f.frame != truth.reference and f.usable)
    moved = render(plan.scene, replace(here, subject=frame.subject), focus=focus_of(plan))
    return clipped_srgb(truth.achievable) * 0.6 + clipped_srgb(moved) * 0.4


def with_see_through(judge: Judge) -> np.ndarray:
    """Let the wall, rendered without the rest, shine through the bar by 40 %."""
    plan, truth = judge.shoot, judge.truth()
    wall = replace(plan.scene, surface=plan.scene.surface[:1])
    behind = clipped_srgb(render(wall, plan.camera(truth.reference), focus=()))
    share = 0.4 * ndimage.binary_erosion(bar_of(judge), iterations=4)[..., None]
    return (1 - share) * clipped_srgb(truth.achievable) + share * behind


def with_smear(judge: Judge) -> np.ndarray:
    """Wipe the hairs from side to side, which is along each."""
    picture = clipped_srgb(judge.truth().achievable)
    hairs = ndimage.gaussian_filter(judge.truth().mask("fibres").astype(np.float32), 1.5)
    wiped = ndimage.uniform_filter1d(picture, 25, axis=1)
    return picture + hairs[..., None] * (wiped - picture)


def with_flicker(judge: Judge) -> np.ndarray:
    """Give patches of 32 px a gain of their own, 0.15 stops rms."""
    light = judge.truth().achievable
    rows, cols = light.shape[0] // 32, light.shape[1] // 32
    stops = 0.15 * np.random.default_rng(5).standard_normal((rows, cols))
    return clipped_srgb(light * np.kron(2.0**stops, np.ones((32, 32)))[..., None])


def with_invented_detail(judge: Judge) -> np.ndarray:
    """Add white detail of 3 % of white, in linear light."""
    light = judge.truth().achievable
    grain = np.random.default_rng(6).standard_normal(light.shape[:2])
    return clipped_srgb(light + 0.03 * grain[..., None].astype(np.float32))


FAULTS = {
    "halo_overshoot": with_halo,
    "ghost": with_ghost,
    "see_through": with_see_through,
    "smear": with_smear,
    "flicker_stops": with_flicker,
    "invented_detail": with_invented_detail,
}
#: Less than this can hardly be seen; at least twice this the own fault must give.
SEEN = {
    "halo_overshoot": 0.08,
    "ghost": 0.1,
    "see_through": 0.1,
    "smear": 0.1,
    "flicker_stops": 0.04,
    "invented_detail": 0.05,
}


def bar_of(judge: Judge) -> np.ndarray:
    """Return where the bar is."""
    return judge.truth().mask("moving")


@pytest.fixture(scope="module", name="faulty")
def all_faulty(judge: Judge) -> pd.DataFrame:
    """Return the artefacts of each fault's picture, one row each."""
    return pd.DataFrame({name: row(judge, make(judge)) for name, make in FAULTS.items()}).T


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_raises_its_own_column(faulty: pd.DataFrame, fault: str) -> None:
    """At least twice what can hardly be seen, and more than any other fault gives there."""
    column = faulty[fault]
    assert column[fault] > 2 * SEEN[fault]
    assert column.drop(fault).max() < 0.5 * column[fault]


@pytest.mark.parametrize("fault", FAULTS)
def test_more_of_a_fault_scores_more(judge: Judge, fault: str) -> None:
    """Doses of a quarter, a half and all of it, mixed into the achievable picture."""
    none, whole = clipped_srgb(judge.truth().achievable), FAULTS[fault](judge)
    found = [row(judge, none + dose * (whole - none))[fault] for dose in (0.0, 0.25, 0.5, 1.0)]
    assert found[0] == pytest.approx(0, abs=1e-3)
    assert all(less < more for less, more in pairwise(found)), found


def test_the_subject_is_looked_for_where_it_stood(judge: Judge) -> None:
    """Its shift is the one that skimage finds between two renderings, in every frame."""
    plan, truth = judge.shoot, judge.truth()
    here = plan.camera(truth.reference)
    bar = replace(plan.scene, surface=plan.scene.surface[-1:])
    still = render(bar, here, focus=())[..., 1]
    shifts = pose_shifts_px(plan, truth)
    assert shifts
    for record in plan.records:
        moved = render(bar, replace(here, subject=record.subject), focus=())[..., 1]
        found = -phase_cross_correlation(still, moved, upsample_factor=10)[0]
        if record.frame != truth.reference:
            nearest = min(shifts, key=lambda shift: np.hypot(*(found - shift)))
            np.testing.assert_allclose(nearest, found, atol=0.6)


#: Large pixels, which the lens outdoes, and small ones, which outdo the lens (its cut-off is
#: 1 / (0.55 um x f/16.8), 0.42 cycles per pixel of 3.9 um).
PIXELS = {"large": {"bin": 4, "crop": (768, 512)}, "small": {"bin": 1, "crop": (192, 128)}}


@pytest.mark.parametrize("pixels", PIXELS.values(), ids=PIXELS)
def test_invented_detail_is_told_at_any_pixel(tmp_path: Path, pixels: dict) -> None:
    """None in the true picture; a checkerboard in linear light counts with its size.

    A checkerboard lies at half a cycle per pixel both ways, where the band passes all but
    exp(-2 pi^2 / 2); white detail counts in full, so the board by 1 / 0.873 of its size.
    """
    judge = judge_of(small("ramp", **pixels), tmp_path)
    light = np.clip(judge.truth().achievable, 0, 1)
    board = (-1.0) ** np.add.outer(*(np.arange(size) for size in light.shape[:2]))[..., None]
    contrast = (light @ LUMA)[judge.truth().mask("valid")].std()
    found = []
    for level in (0.0, 0.002, 0.004, 0.008):
        found.append(row(judge, clipped_srgb(light + level * board))["invented_detail"])
        expected = level / math.sqrt(1 - 1 / math.pi + 1 / (4 * math.pi)) / contrast
        assert found[-1] == pytest.approx(expected, rel=0.05, abs=1e-3)
    assert found == sorted(found)


def test_noise_is_that_of_one_frame() -> None:
    """What a frame with noise differs by from one without, over what is told, has unit spread.

    4800 pixels tell a standard deviation to 1 % (one sigma), and the mean square of each third of
    the brightness to 2.5 %.
    """
    plan = small("ramp", noise=True)
    light = [
        decode_srgb(made.frame(0).image / np.float32(65535)) @ LUMA
        for made in (plan, replace(plan, noise=False))
    ]
    told = noise_rms(plan, plan.exposure(0))
    share = ((light[0] - light[1]) / told).ravel()
    assert share.std() == pytest.approx(1, rel=0.03)
    for third in np.array_split(np.argsort(light[1].ravel()), 3):
        assert share[third].std() == pytest.approx(1, rel=0.05)
    assert not noise_rms(replace(plan, noise=False), plan.exposure(0)).any()


def test_what_has_no_number_has_a_reason(tmp_path: Path) -> None:
    """A ramp has nothing that moves, stands before or has fibres: the row says so of each."""
    judge = judge_of(small("ramp", crop=(384, 256)), tmp_path)
    result = Result(image=clipped_srgb(judge.truth().achievable))
    found = judge.score(Outcome(status="ok", result=result), name="given").row
    missing = [name for name in ARTEFACTS if math.isnan(found[f"artefacts.{name}"])]
    assert missing == ["halo_overshoot", "halo_width_px", "ghost", "see_through", "smear"]
    told = found["artefacts.absent"]
    assert told.count("no pixel to score, or ") == len(missing)
    assert "ghost: no pixel to score, or no other pose differs here" in told
    unasked = Judge(judge.stack, artefacts=False)
    without = unasked.score(Outcome(status="ok", result=result), name="given").row
    assert without["artefacts.absent"] == "not looked for"


def test_one_surface_has_nothing_behind() -> None:
    """Nothing to shine through."""
    behind, depth = farthest_surface(small("ramp"), 0)
    assert behind is None
    assert np.isnan(depth).all()


def test_scores_follow_the_reference_of_the_result(judge: Judge) -> None:
    """In the view of another frame its own achievable picture has no artefact."""
    other = next(number for number in range(3) if number != judge.truth().reference)
    picture = clipped_srgb(judge.truth(other).achievable)
    result = Result(image=picture.astype(np.float32), reference=other)
    scored = judge.score(Outcome(status="ok", result=result), name="given").row
    assert scored["artefacts.ghost"] == pytest.approx(0, abs=1e-3)
    assert scored["artefacts.halo_overshoot"] == pytest.approx(0, abs=1e-3)


def test_artefacts_are_looked_for_where_the_truth_is_known(judge: Judge) -> None:
    """Hairs and the bar reach into rows of which nothing is known: there nothing is told."""
    known = judge.truth()
    regions = known.regions.copy()
    regions[:90] &= ~regions.dtype.type(REGIONS["valid"])
    truth = replace(known, regions=regions)
    unknown = ~truth.mask("valid")
    inputs = artefact_inputs(judge.shoot, truth)
    assert unknown[:90].all()
    assert (truth.mask("fibres") & unknown).any()
    assert (truth.mask("moving") & unknown).any()
    assert not (inputs.fibres & unknown).any()
    assert not (inputs.ghosted & unknown).any()
