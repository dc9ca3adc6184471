"""The limits of a stack: what choosing frames can give, and by how much it may be passed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from skimage.metrics import peak_signal_noise_ratio

from stacktruth.ground.srgb import clipped_srgb, decode_srgb
from stacktruth.runners.bench.grid.conditions import FACTORS
from stacktruth.runners.contract import Outcome, Result
from stacktruth.runners.judge.choice import BestChoice, Candidate, best_choice
from stacktruth.runners.judge.limits import (
    CAPTURE_MARGIN_DB,
    SELECTION_MARGIN_DB,
    above_limits,
    averaging_gain_db,
    loss_db,
    nearest_to_ideal,
    noise_square,
    view_limits,
)
from stacktruth.runners.judge.memory_stack import MemoryStack
from stacktruth.runners.judge.plane_motion import places_of_focus
from stacktruth.runners.judge.scoring import Judge
from stacktruth.runners.judge.seen_by_frames import SeenByFrames
from stacktruth.runners.judge.true_stages import StackTruth
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.handling.approach import Approach
from stacktruth.simulator.handling.hands import Stance
from stacktruth.simulator.handling.light import load_light
from stacktruth.simulator.scene.scene import Fibres, Scene, Sheet
from stacktruth.simulator.scene.texture.target import Checker
from stacktruth.simulator.shooting.motion import nearest, places_in
from stacktruth.simulator.shooting.shoot import Shoot, shoot

SHAPE = (40, 60)
FRAMES = 12


def textured(seed: int = 0) -> np.ndarray:
    """Return a picture with detail, linear light."""
    rng = np.random.default_rng(seed)
    return rng.uniform(0.1, 0.6, (*SHAPE, 3)).astype(np.float32)


#: A flat card in focus, with detail all over.
CARD = Scene(
    name="card",
    field_mm=(18, 12),
    depth_mm=(-1, 1),
    surface=(
        Sheet(
            name="card",
            lit=False,
            texture=Checker(colours=((0.8, 0.75, 0.6), (0.2, 0.25, 0.3)), cell_mm=0.21),
        ),
    ),
)


def plan(scene: Scene | str = "pickets", *, noise: bool = True, **changes: object) -> Shoot:
    """Plan a small stepped shoot without hands, in a steady light, through all of a scene."""
    scene = load_scene(scene) if isinstance(scene, str) else scene
    near, far = scene.depth_mm
    asked = {
        "approach": Approach(kind="stepped", start_mm=near, step_mm=(far - near) / (FRAMES - 1)),
        "stance": Stance(name="support"),
        "frames": FRAMES,
        "crop": (480, 320),
        "bin": 4,
    } | changes
    made = shoot(
        scene,
        load_rig("field-2x"),
        light="steady-lamp",
        noise=noise,
        **asked,
    )
    return replace(made, light=replace(load_light("steady-lamp"), ambient_spread_stops=0.0))


@pytest.fixture(scope="module")
def judge() -> Judge:
    """Judge a small shoot of pickets, where near parts veil far ones."""
    return Judge(MemoryStack(plan()), artefacts=False)


def given(judge: Judge, picture: np.ndarray) -> pd.Series:
    """Return the row of a picture (sRGB-encoded)."""
    result = Result(image=picture.astype(np.float32))
    return pd.Series(judge.score(Outcome(status="ok", result=result), name="given").row)


class TestSelection:
    """The best that choosing among aligned frames can give."""

    def test_each_half_is_taken_from_the_frame_that_has_it(self) -> None:
        """Two frames, each the ideal on one side: together they are the ideal, as are the labels.

        Within three windows of the border either may be taken; there both are as they are.
        """
        ideal, wrong = clipped_srgb(textured()), clipped_srgb(textured(1))
        left = np.arange(SHAPE[1]) < 30
        first = np.where(left[None, :, None], ideal, wrong)
        second = np.where(left[None, :, None], wrong, ideal)
        shown = np.ones(SHAPE, bool)
        choice = best_choice(ideal, [(4, [(first, shown)]), (7, [(second, shown)])])
        picture, chosen = choice.picture, choice.frame
        away = np.abs(np.arange(SHAPE[1]) - 29.5) > 4
        np.testing.assert_array_equal(picture[:, away], ideal[:, away])
        assert set(np.unique(chosen[:, left & away])) == {4}
        assert set(np.unique(chosen[:, ~left & away])) == {7}

    def test_values_that_are_right_by_accident_gain_little(self) -> None:
        """Twenty pictures of noise: choosing pixel by pixel wins 15 dB and more, by the window 3.

        With n frames of white noise the least of n squares of three channels falls fast; the
        least of n means over 12.6 pixels (4 pi sigma^2) of three channels hardly.
        """
        rng = np.random.default_rng(3)
        ideal = np.full((*SHAPE, 3), 0.5, np.float32)
        noisy = [ideal + rng.normal(0, 0.05, ideal.shape).astype(np.float32) for _ in range(20)]
        shown = np.ones(SHAPE, bool)
        choice = BestChoice(ideal)
        for number, one in enumerate(noisy):
            choice.offer(number, Candidate(one, ideal, shown))
        error = np.stack([np.square(one - ideal).mean(axis=2) for one in noisy])
        one_db, chosen_db = (
            peak_signal_noise_ratio(ideal, image, data_range=1.0)
            for image in (noisy[0], choice.picture)
        )
        by_pixel_db = -10 * np.log10(error.min(axis=0).mean())
        assert by_pixel_db - one_db > 8
        assert 0 < chosen_db - one_db < 4

    def test_what_a_frame_does_not_show_is_not_taken_from_it(self) -> None:
        """Nor does what lies beyond count in the window; where none shows it, the ideal stands."""
        ideal = clipped_srgb(textured())
        shown = np.zeros(SHAPE, bool)
        shown[:, :20] = True
        broken = np.where(shown[..., None], ideal, np.float32(9))
        error = Candidate(broken, ideal, shown).error
        assert (error[shown] == 0).all()
        assert np.isinf(error[~shown]).all()
        # Near the border, too, it is a mean over what is shown.
        off = Candidate(ideal + np.float32(0.1), ideal, shown).error
        np.testing.assert_allclose(off[shown], 0.01, rtol=1e-3)
        choice = best_choice(ideal, [(3, [(broken, shown)])])
        picture, chosen = choice.picture, choice.frame
        np.testing.assert_array_equal(picture, ideal)
        assert set(np.unique(chosen[:, :20])) == {3}
        assert set(np.unique(chosen[:, 20:])) == {-1}

    @pytest.mark.slow
    def test_no_choice_among_the_frames_is_better(self, judge: Judge) -> None:
        """Fifty random choices in patches, and each frame alone, stay below the limit."""
        view = judge.truth()
        given_truth = StackTruth(judge.shoot, view, judge.stack.frames)
        aligned = [given_truth.aligned(number)[0] for number in range(FRAMES)]
        ideal, valid = clipped_srgb(view.ideal), view.mask("valid")
        limit = peak_signal_noise_ratio(
            ideal[valid], judge.limits().selection[valid], data_range=1.0
        )
        rng = np.random.default_rng(5)
        best = -np.inf
        for size in [*[4, 16, 64] * 16, 1000, 1000]:
            patches = rng.integers(FRAMES, size=(150 // size + 2, 200 // size + 2))
            label = np.kron(patches, np.ones((size, size), int))
            label = label[: ideal.shape[0], : ideal.shape[1]]
            picture = np.choose(label[..., None], aligned)
            found = peak_signal_noise_ratio(ideal[valid], picture[valid], data_range=1.0)
            best = max(best, found)
        assert best < limit

    def test_it_lies_below_the_capture_limit_where_near_parts_veil(self, judge: Judge) -> None:
        """On pickets by a lot; on a slope without edges, by less than a decibel either way."""
        veiled = judge.run("middle-frame").row
        assert veiled["selection_loss_db"] > 5
        slope = Judge(MemoryStack(plan("ramp", noise=False)), artefacts=False)
        assert abs(slope.run("middle-frame").row["selection_loss_db"]) < 1.0


#: Fine hairs 1 mm before a card: most pixels of a hair show more of the card.
HAIRS = Scene(
    name="hairs",
    field_mm=(18, 12),
    depth_mm=(-1, 0),
    surface=(
        *CARD.surface,
        Fibres(
            kind="fibres",
            name="hairs",
            radius_um=(5.0, 5.0),
            paths_mm=tuple(((x, -6.0, -1.0), (x, 6.0, -1.0)) for x in np.arange(-2, 2, 0.1)),
        ),
    ),
)


@pytest.fixture(scope="module")
def hairs() -> StackTruth:
    """Three frames by hand without noise, focused on hairs, between, and on the card."""
    shot = plan(
        HAIRS,
        noise=False,
        approach=Approach(kind="stepped", start_mm=-1.0, step_mm=0.5),
        stance=Stance(name="hands", sway_mm=(0.1, 0.1, 0.0), sway_hz=0.05),
        frames=3,
        crop=(256, 192),
        seed=1,
    )
    stack = MemoryStack(shot)
    return StackTruth(shot, stack.truth, stack.frames)


def test_what_frames_see_serves_all_views(hairs: StackTruth) -> None:
    """Whatever view asks, and whichever asked before, places are those found from nothing."""
    sights, shot = SeenByFrames(hairs.shoot), hairs.shoot
    for of, frame in ((1, 0), (1, 2), (2, 0), (0, 1)):
        wanted = places_in(nearest(shot.scene, shot.camera(of)), shot.camera(frame))
        np.testing.assert_array_equal(sights.places(frame, of=of), wanted)
    assert sights.nearest(2) is sights.nearest(2)


class TestWays:
    """How a frame can be moved into the view, and mixed with its neighbour."""

    def test_what_is_in_focus_moves_as_its_points_truly_do(self, hairs: StackTruth) -> None:
        """On the card, by the scene's depth and both cameras, within 0.02 px; nearer, not so."""
        cameras = hairs.shoot.camera(hairs.reference), hairs.shoot.camera(2)
        apart = np.abs(places_of_focus(*cameras) - hairs.warp(2)).max(axis=2)
        card = hairs.truth.depth_mm > -0.01
        assert np.nanmax(apart[card]) < 0.02
        assert np.nanmin(apart[hairs.truth.depth_mm < -0.9]) > 0.05

    def test_fibres_tear_no_frame_that_is_focused_behind_them(self, hairs: StackTruth) -> None:
        """The best choice among frames moved in one way only stays below the limit."""
        ideal, valid = clipped_srgb(hairs.truth.ideal), hairs.truth.mask("valid")
        limit, *ways = (
            peak_signal_noise_ratio(ideal[valid], picture[valid], data_range=1.0)
            for picture in (
                view_limits(hairs).selection,
                *(
                    best_choice(
                        ideal, [(n, hairs.versions(n)[way : way + 1]) for n in range(3)]
                    ).picture
                    for way in (0, 1)
                ),
            )
        )
        assert limit > ways[0] + SELECTION_MARGIN_DB
        assert limit > ways[1]

    def test_a_frame_moved_as_its_plane_has_its_edge_continued(self, hairs: StackTruth) -> None:
        """Methods have it so: there is a value everywhere, that of the nearest edge pixel."""
        assert not hairs.versions(0)[0][1].all()
        moved, shown = hairs.versions(0)[1]
        places = places_of_focus(hairs.shoot.camera(hairs.reference), hairs.shoot.camera(0))
        beyond = places[..., 1] > moved.shape[1] + 1
        assert shown.all()
        assert beyond.any()
        rows = np.clip(np.rint(places[beyond][:, 0]).astype(int), 0, len(moved) - 1)
        np.testing.assert_allclose(moved[beyond], hairs.exposed(0)[rows, -1], atol=0.1)

    def test_two_neighbours_are_mixed_in_the_best_shares(self) -> None:
        """One is 0.1 above the ideal, the other 0.3 below: three parts to one are the ideal.

        Of independent noise such a mix keeps 0.75^2 + 0.25^2.
        """
        ideal, shown = clipped_srgb(textured()), np.ones(SHAPE, bool)
        above, below = (ideal + np.float32(off) for off in (0.1, -0.3))
        choice = best_choice(ideal, [(1, [(above, shown)]), (2, [(below, shown)])])
        np.testing.assert_allclose(choice.picture, ideal, atol=1e-6)
        np.testing.assert_allclose(choice.kept, 0.625, atol=1e-4)
        assert (choice.frame == 1).all()

    def test_colours_in_focus_at_different_depths_pass_no_limit(self) -> None:
        """One frame has one colour sharp; a focus map lies between two, and mixes them."""
        shot = plan(
            "ramp",
            noise=False,
            approach=Approach(kind="stepped", start_mm=-0.17, step_mm=0.0425),
            frames=9,
            crop=(256, 32),
            bin=1,
        )
        own = Judge(MemoryStack(FACTORS["axial-colour"].apply(shot, 0.1)), artefacts=False)
        assert own.run("focus-map-guided").row["above_limit"] == ""

    def test_the_capture_limit_errs_nowhere_more_than_the_least_defocus(self) -> None:
        """Where that has a false line, a choice among frames without it takes its place."""
        ideal = clipped_srgb(textured())
        rendered, chosen = ideal + np.float32(0.01), ideal + np.float32(0.05)
        rendered[10] += np.float32(0.3)
        chosen[30, 30] = ideal[30, 30]
        found = nearest_to_ideal(ideal, rendered, chosen)
        np.testing.assert_array_equal(found[10], chosen[10])
        np.testing.assert_array_equal(found[14:], rendered[14:])
        assert (np.abs(found - ideal) <= np.abs(rendered - ideal)).all()


class TestMargins:
    """By how much a limit may be passed."""

    def test_averaging_takes_away_noise_and_nothing_else(self) -> None:
        """All noise: 10 log10(n). No noise: nothing. Half: 10 log10(1 / (1/2 + 1/2n))."""
        assert averaging_gain_db(30.0, noise=1e-3, frames=8) == pytest.approx(10 * np.log10(8))
        assert averaging_gain_db(30.0, noise=1.0, frames=8) == pytest.approx(10 * np.log10(8))
        assert averaging_gain_db(30.0, noise=0.0, frames=8) == 0.0
        half = averaging_gain_db(30.0, noise=0.5e-3, frames=4)
        assert half == pytest.approx(-10 * np.log10(1 / 2 + 1 / 8))
        assert averaging_gain_db(np.inf, noise=0.0, frames=4) == 0.0

    def test_the_noise_is_that_of_the_frames(self) -> None:
        """Against frames rendered with and without noise: within 5 % in the mean square."""
        noisy, clean = plan("ramp"), plan("ramp", noise=False)
        frames = [one.frame(2).image / np.float32(65535) for one in (noisy, clean)]
        measured = np.square(frames[0] - frames[1]).mean()
        light = decode_srgb(frames[1])
        assert noise_square(noisy, light).mean() == pytest.approx(measured, rel=0.05)
        assert not noise_square(clean, light).any()

    def test_a_mean_of_frames_alike_passes_by_what_the_margin_says(self) -> None:
        """Twelve frames in one place: their mean passes the selection limit, in the margin."""
        still = plan(CARD, approach=Approach(kind="stepped", step_mm=0.0), iso=3200.0)
        own = Judge(MemoryStack(still), artefacts=False)
        row = own.run("mean+no-alignment+no-gain").row
        most = SELECTION_MARGIN_DB + 10 * np.log10(FRAMES)
        passed = row["total.psnr_db"] - row["selection.psnr_db"]
        # Where all error is noise the margin is all that an average of twelve can take away.
        assert 2.0 < passed < row["selection.margin_db"] <= most + 1e-9
        assert row["above_limit"] == ""

    def test_what_knows_the_truth_is_flagged(self, judge: Judge) -> None:
        """The ideal itself, handed in: above both limits, by more than either margin."""
        row = given(judge, clipped_srgb(judge.truth().ideal))
        assert "capture limit by" in row["above_limit"]
        assert f"(margin {CAPTURE_MARGIN_DB:.1f})" in row["above_limit"]
        assert "selection limit by" in row["above_limit"]

    @pytest.mark.parametrize("method", ["oracle", "focus-map", "laplacian-pyramid"])
    def test_honest_methods_are_not(self, judge: Judge, method: str) -> None:
        """Nor is the oracle, which chooses among the same frames by optics."""
        row = judge.run(method).row
        assert (row["status"], row["above_limit"]) == ("ok", "")

    def test_only_what_passes_by_more_than_its_margin_is_named(self) -> None:
        """At the margin nothing; a hundredth beyond it the limit, by how much, and the margin."""
        limits, margins = {"capture": 40.0, "selection": 30.0}, {"capture": 3.0, "selection": 1.0}
        assert above_limits(31.0, limits, margins) == ""
        assert above_limits(31.01, limits, margins) == "selection limit by 1.0 dB (margin 1.0)"
        both = above_limits(50.0, limits, margins)
        assert (
            both == "capture limit by 10.0 dB (margin 3.0), selection limit by 20.0 dB (margin 1.0)"
        )
        assert above_limits(float("nan"), limits, margins) == ""


def test_a_loss_is_what_the_result_stays_below() -> None:
    """1.5 dB below the limit is a loss of 1.5; two perfect pictures have lost nothing."""
    assert loss_db(np.inf, np.inf) == 0.0
    assert loss_db(40.0, 38.5) == 1.5


def test_margins_are_those_that_the_book_states() -> None:
    """The book's table of limits says which may be exceeded, and by how much."""
    page = Path(__file__).parents[2] / "docs" / "explanation" / "what_a_score_means.md"
    guide = page.read_text(encoding="utf-8")
    table = guide[guide.index("| capture limit | least defocus") :].splitlines()[:2]
    stated = {line.split("|")[1].strip(): line.split("|")[3] for line in table}
    assert stated["capture limit"].strip().startswith(f"{CAPTURE_MARGIN_DB:g} dB:")
    assert stated["selection limit"].strip().startswith(f"{SELECTION_MARGIN_DB:g} dB, ")


def test_the_losses_add_up(judge: Judge) -> None:
    """From the capture limit to the selection limit, and on to the result; by region, too."""
    row = judge.run("focus-map").row
    for end in ("", ".occlusion-band", ".textured"):
        lost = row[f"selection_loss_db{end}"] + row[f"merge_loss_db{end}"]
        apart = row[f"capture.psnr_db{end}"] - row[f"total.psnr_db{end}"]
        assert lost == pytest.approx(apart, abs=1e-9)


def test_a_crop_is_compared_with_the_limit_over_what_it_shows(judge: Judge) -> None:
    """The selection limit's own picture, with one half not shown, has lost nothing."""
    shown = np.zeros(judge.truth().depth_mm.shape, bool)
    shown[:, : shown.shape[1] // 2] = True
    result = Result(image=judge.limits().selection)
    row = judge.score(Outcome(status="ok", result=result), name="half", shown=shown).row
    assert row["shown_share"] == pytest.approx(0.5, abs=0.05)
    assert row["merge_loss_db"] == pytest.approx(0.0, abs=0.1)


def test_limits_are_scored_over_exactly_what_a_result_is_judged_on(judge: Judge) -> None:
    """Also where it lacks but a strip of 3 %: there its own edge may be worse, or the limit's."""
    ideal, shown = clipped_srgb(judge.truth().ideal), np.ones(judge.truth().depth_mm.shape, bool)
    shown[:4] = False
    result = Result(image=judge.limits().selection)
    scored = judge.score(Outcome(status="ok", result=result), name="strip", shown=shown)
    where = shown & judge.truth().mask("valid")
    for name, picture in (("capture", judge.limits().capture), ("selection", result.image)):
        own = peak_signal_noise_ratio(ideal[where], picture[where], data_range=1.0)
        assert scored.row[f"{name}.psnr_db"] == pytest.approx(own, abs=1e-3)
