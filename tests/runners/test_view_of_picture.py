"""The view of a finished picture: found by the true motion, or said not to be found."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage
from skimage.transform import resize

from stacktruth.ground.pictures import write_copy
from stacktruth.ground.srgb import clipped_srgb
from stacktruth.runners.contract import Outcome, Result
from stacktruth.runners.isolate.external import ProgramError, load_programs
from stacktruth.runners.isolate.run import find_method
from stacktruth.runners.judge import view_of_picture
from stacktruth.runners.judge.finished import score_files
from stacktruth.runners.judge.memory_stack import MemoryStack
from stacktruth.runners.judge.scoring import Judge
from stacktruth.runners.judge.true_stages import StackTruth
from stacktruth.runners.judge.view_of_picture import alike_views, placed
from stacktruth.runners.methods import built_in
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.shooting.shoot import shoot

LAST = 5
#: Gives back one frame: the one it is told of, or the one of a number.
TAKE = """
import shutil, sys
from pathlib import Path
number, folder, told, output = sys.argv[1:]
frame = sorted(Path(folder).iterdir())[int(number)]
shutil.copy(told if int(number) == 2 else frame, output)
"""


@pytest.fixture(scope="module")
def judge() -> Judge:
    """Judge a shell, shot by hand: the views of six frames lie up to dozens of pixels apart."""
    plan = shoot(
        load_scene("snail-shell"),
        load_rig("field-2x"),
        stance="braced",
        light="flash-sixteenth",
        seed=1,
        crop=(1152, 768),
        bin=4,
        frames=LAST + 1,
    )
    return Judge(MemoryStack(plan), artefacts=False)


def merged(judge: Judge, view: int) -> Result:
    """Return the oracle's merge in the view of a frame, which it does not name."""
    stack = judge.stack
    given = StackTruth(judge.shoot, judge.truth(view), stack.frames)
    result = built_in("oracle", truth=given)(stack.frames, stack.info)
    return replace(result, reference=None)


@pytest.fixture(scope="module")
def in_last(judge: Judge) -> Result:
    """Return the oracle's merge in the last frame's view."""
    return merged(judge, LAST)


def picture_of(result: Result) -> np.ndarray:
    """Return a result's picture as floats."""
    return (result.image / np.float32(65535)).astype(np.float32)


def scored(judge: Judge, picture: np.ndarray) -> dict:
    """Return the row of a finished picture."""
    result = Result(image=np.ascontiguousarray(picture, dtype=np.float32))
    return judge.score_anywhere(Outcome(status="ok", result=result), name="file").row


def test_a_program_in_another_view_is_scored_in_that_view(judge: Judge, tmp_path: Path) -> None:
    """The oracle's merge in frame 0's view, handed in as a program, is no worse for it.

    Compared in the stack's own view it would lose 15 dB and read as perfectly aligned.
    """
    result = merged(judge, 0)
    write_copy(tmp_path / "kept.tif", result.image)
    script = tmp_path / "copy_it.py"
    script.write_text(
        "import shutil, sys; from pathlib import Path\n"
        "shutil.copy(Path(__file__).parent / 'kept.tif', sys.argv[2])\n"
    )
    program = find_method(f"{sys.executable} {script} {{frames_dir}} {{output}}")
    row = judge.run(program).row
    assert (row["status"], row["reference"], row["view"]) == ("ok", 0, "own"), row["reason"]
    named = replace(result, reference=0)
    honest = judge.score(Outcome(status="ok", result=named), name="told").row
    assert row["total.psnr_db"] == pytest.approx(honest["total.psnr_db"], abs=0.05)
    assert row["merge_loss_db"] == pytest.approx(honest["merge_loss_db"], abs=0.05)
    assert abs(row["merge_loss_db"]) < 2.0


@pytest.mark.parametrize(
    ("reference", "view"),
    [("first", 0), ("middle", 2), ("last", LAST), (4, 4), ("given", 2), ("own", 3)],
)
def test_a_program_s_table_says_in_whose_view_it_merges(
    judge: Judge, tmp_path: Path, reference: str | int, view: int
) -> None:
    """By place, by number, as the stack asks, or looked for: a frame lies in its own view."""
    named = f'"{reference}"' if isinstance(reference, str) else reference
    file = tmp_path / "programs.toml"
    script = tmp_path / "take.py"
    script.write_text(TAKE)
    file.write_text(
        f'[mine]\ncommand = ["{sys.executable}", "{script}", "{view}", "{{frames_dir}}", '
        f'"{{reference}}", "{{output}}"]\nreference = {named}\n'
    )
    row = judge.run(find_method("mine", programs=file)).row
    assert (row["status"], row["reference"]) == ("ok", view), row["reason"]
    assert row["residual_px"] < 0.2
    assert row["view"] == ("given" if view == judge.shoot.reference else "own")
    assert load_programs(file)["mine"].reference == reference


@pytest.mark.parametrize("reference", ["second", -1, 2.5])
def test_an_unknown_reference_of_a_program_is_refused(
    tmp_path: Path, reference: str | float
) -> None:
    """The file's own error, which names the key."""
    named = f'"{reference}"' if isinstance(reference, str) else reference
    file = tmp_path / "programs.toml"
    file.write_text(f'[p]\ncommand = ["x", "{{frames}}", "{{output}}"]\nreference = {named}\n')
    with pytest.raises(ProgramError, match="reference"):
        load_programs(file)


def test_a_method_that_names_the_wrong_view_has_no_score(judge: Judge, in_last: Result) -> None:
    """A picture of the last frame's view that is said to be in the stack's: a status, no dB."""
    row = judge.score(Outcome(status="ok", result=in_last), name="wrong").row
    assert row["status"] == "invalid-output"
    assert f"not in the view of frame {judge.shoot.reference}: it fits better" in row["reason"]
    assert "total.psnr_db" not in row


def test_a_merge_in_a_view_of_its_own_is_marked(judge: Judge, in_last: Result) -> None:
    """Found among all frames, by the true motion; what it lost is against that view's limit."""
    row = scored(judge, picture_of(in_last))
    assert (row["reference"], row["view"], row["brought"]) == (LAST, "own", "")
    assert row["shown_share"] > 0.97
    assert abs(row["merge_loss_db"]) < 1.5
    assert judge.run("oracle").row["view"] == "given"


def changed(picture: np.ndarray, how: str) -> np.ndarray:
    """Return a picture as a program may leave it."""
    rows, cols = picture.shape[:2]
    if how == "cropped":
        return picture[20:-44, 36:-12]
    if how == "smaller":
        return resize(picture, (rows // 2, cols // 2), anti_aliasing=True)
    if how == "larger":
        return resize(picture, (2 * rows, 2 * cols), order=3)
    if how == "shifted":
        return np.pad(picture, ((60, 0), (0, 0), (0, 0)))[:rows]
    return picture[::-1, ::-1]


@pytest.mark.parametrize(
    ("how", "told", "lost_db"),
    [
        ("cropped", "its middle -12.0 px across and +12.0 px down", 1.0),
        ("smaller", "scaled by 0.5", 12.0),
        ("larger", "scaled by 2", 1.5),
        ("shifted", "+60.0 px down", 1.0),
        ("turned over", "turned by 180 degrees", 0.3),
    ],
)
def test_a_changed_file_is_brought_over(
    judge: Judge, in_last: Result, how: str, told: str, lost_db: float
) -> None:
    """View, scale, shift and half-turn come back; what it costs is what the change did.

    Half the size holds no more than a quarter of the pixels; that loses what it loses.
    """
    whole = scored(judge, picture_of(in_last))
    row = scored(judge, changed(picture_of(in_last), how))
    assert (row["status"], row["reference"]) == ("ok", LAST), row["reason"]
    assert told in row["brought"]
    # Over a part of the picture the limit is another.
    lost = row["merge_loss_db"] - whole["merge_loss_db"]
    assert lost < lost_db
    assert row["residual_px"] < 0.1


def test_what_shows_no_view_has_a_reason(judge: Judge, in_last: Result) -> None:
    """A flat picture, another scene, and a mirrored one: never a shift of 0."""
    shape = picture_of(in_last).shape
    noise = np.random.default_rng(0).random(shape).astype(np.float32)
    for wrong in (np.full(shape, 0.4), noise, picture_of(in_last)[:, ::-1]):
        row = scored(judge, wrong)
        assert row["status"] == "invalid-output"
        assert "could not be brought to the view of any frame" in row["reason"]
        assert "residual_px" not in row


def test_files_are_read_and_a_named_view_is_believed(
    judge: Judge, in_last: Result, tmp_path: Path
) -> None:
    """Told the right view, the same score; told a wrong one, a status; frame 6 is none of six."""
    file = tmp_path / "merged.tif"
    write_copy(file, in_last.image)
    free = score_files(judge, file, name="file").row
    told = score_files(judge, file, name="file", reference=LAST).row
    assert told["total.psnr_db"] == pytest.approx(free["total.psnr_db"], abs=1e-6)
    wrong = score_files(judge, file, name="file", reference=LAST + 1).row
    assert wrong["status"] == "invalid-output"
    assert wrong["reason"] == "reference: got frame 6, allowed 0..5"


def test_a_depth_map_comes_with_its_picture(judge: Judge, in_last: Result) -> None:
    """Of a file that is turned over: the true depth is the true depth again."""
    depth = judge.truth(LAST).depth_mm
    result = Result(
        image=np.ascontiguousarray(in_last.image[::-1, ::-1]),
        depth=np.ascontiguousarray(depth[::-1, ::-1]),
        depth_unit="mm",
    )
    row = judge.score_anywhere(Outcome(status="ok", result=result), name="file").row
    assert row["reference"] == LAST
    assert row["depth.depth_median_mm"] == pytest.approx(0.0, abs=1e-3)
    assert row["depth.coverage"] > 0.97


def test_a_view_that_stands_out_is_taken_without_a_closer_look(
    judge: Judge, in_last: Result, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whole files, upright, turned over or of half the size, cost no search: 0.1 s, not 1."""

    def refuse(*_: object) -> None:
        raise AssertionError("a closer look")

    for name in ("cuts", "matches"):
        monkeypatch.setattr(view_of_picture, name, refuse)
    for how in ("turned over", "smaller"):
        picture = np.ascontiguousarray(changed(picture_of(in_last), how), np.float32)
        found = placed(picture, None, known=judge.known_views)
        assert found.view == LAST


@pytest.mark.parametrize("view", [0, pytest.param(4, marks=pytest.mark.slow)])
def test_a_crop_of_any_view_is_cut_at_its_pixels(judge: Judge, view: int) -> None:
    """A frame itself, cut: frame, place and share of the view are exact, at nearly full width."""
    frame = picture_of(Result(image=judge.stack.frames[view]))
    found = placed(frame[7:-9, 6:-3], None, known=judge.known_views)
    assert found.view == view
    assert found.told.startswith("its middle -1.5 px across and +1.0 px down of the view's")
    inside = np.zeros(frame.shape[:2], bool)
    inside[7:-9, 6:-3] = True
    np.testing.assert_array_equal(found.inside, inside)
    np.testing.assert_allclose(found.image[inside], frame[inside], atol=2e-3)


def test_a_perfect_picture_is_perfect_in_every_view() -> None:
    """Three frames of a ruled card leave gaps, where no frame is like the ideal: told or found.

    What repeats fits the blurred frames better a ruling away: that cost 12 dB, told, and put the
    picture found into another view, 18 dB.
    """
    plan = shoot(
        load_scene("ramp"),
        load_rig("field-2x"),
        stance="braced",
        light="flash-sixteenth",
        frames=3,
        crop=(768, 512),
        bin=8,
    )
    judge = Judge(MemoryStack(plan), artefacts=False)
    for view in range(3):
        ideal = Result(image=clipped_srgb(judge.truth(view).ideal), reference=view)
        told = judge.score(Outcome(status="ok", result=ideal), name="told").row
        found = scored(judge, ideal.image)
        for row in (told, found):
            assert (row["status"], row["reference"]) == ("ok", view), row["reason"]
            assert row["total.psnr_db"] > 100


def test_a_crop_of_next_to_nothing_has_a_reason(judge: Judge, in_last: Result) -> None:
    """A strip, a spot, a pixel: no crash, and no view that it might be in by chance."""
    picture = picture_of(in_last)
    for small in (picture[5:8], picture[:40, :30], picture[:1, :1], picture[:, 7:8]):
        row = scored(judge, small)
        assert row["status"] == "invalid-output"
        assert "could not be brought to the view of any frame" in row["reason"]


@pytest.mark.slow
@pytest.mark.parametrize("how", ["quarter", "between pixels", "dark", "noisy"])
def test_a_hard_crop_is_found(judge: Judge, in_last: Result, how: str) -> None:
    """A quarter, one half a pixel off, one of a quarter of the light, one with noise."""
    whole = picture_of(in_last)
    rows, cols = whole.shape[:2]
    crop = whole[20:-44, 36:-12]
    if how == "quarter":
        crop = whole[rows // 2 :, : cols // 2]
    elif how == "between pixels":
        crop = ndimage.shift(whole, (0.5, -0.5, 0), order=3, mode="nearest")[20:-44, 36:-12]
    elif how == "dark":
        crop = 0.5 * crop
    elif how == "noisy":
        crop = crop + 0.05 * np.random.default_rng(0).standard_normal(crop.shape)
    picture = np.ascontiguousarray(np.clip(crop, 0, 1), np.float32)
    assert placed(picture, None, known=judge.known_views).view == LAST


def test_views_that_cannot_be_told_apart_are_named() -> None:
    """A step of 0.05 px says nothing, one of 0.5 does; of a crop only what no similarity takes."""
    rng = np.random.default_rng(4)
    here = rng.uniform(0, 100, (400, 2))
    deep = here + 0.3 * rng.standard_normal(here.shape)
    points = {
        3: here,
        4: here + 0.05,
        5: 1.002 * here + 0.5,
        6: deep,
        7: np.full_like(here, np.nan),
    }
    assert alike_views(points, 3, in_place=True) == (4,)
    assert alike_views(points, 3, in_place=False) == (4, 5)


def test_views_are_told_apart_by_what_no_similarity_takes_away() -> None:
    """A turned, scaled and shifted set of points is no parallax; one point that moved is."""
    rng = np.random.default_rng(0)
    points = rng.uniform(0, 100, (200, 2))
    turn = np.array([[0.8, -0.6], [0.6, 0.8]])
    moved = 1.2 * points @ turn + (5, -3)
    assert view_of_picture.parallax_px(points, moved) == pytest.approx(0.0, abs=1e-9)
    moved[0, 0] += 20.0  # of 200 points: 20 / sqrt(200), less what the similarity follows
    assert view_of_picture.parallax_px(points, moved) == pytest.approx(np.sqrt(2.0), rel=0.03)
    moved[50:] = np.nan
    assert view_of_picture.parallax_px(points, moved[:]) > 0
    moved[10:] = np.nan
    assert view_of_picture.parallax_px(points, moved) == np.inf
