"""A lens measured from a stepped stack: known lenses come back, and what cannot be told is said."""

from dataclasses import replace

import numpy as np
import pytest

from stacktruth.ground.pictures import encode_image
from stacktruth.runners.calibrate.lens.lens_file import rig_text
from stacktruth.runners.calibrate.lens.measure import calibrate_lens
from stacktruth.runners.calibrate.lens.shots import LensCalibrationError, read_shots
from stacktruth.runners.cli import main
from stacktruth.runners.request import RequestError
from stacktruth.simulator import load_rig, load_scene, shoot
from stacktruth.simulator.handling.approach import Approach
from stacktruth.simulator.optics import focus_distance_mm, image_scale_px_per_mm, rig_f_number
from stacktruth.simulator.transfer import defocus_otf
from tests.runners.lens_stacks import card, card_stack, hopkins_series, shots_of

#: A small stack: eleven frames of 192 x 192 pixels, 1.6:1 at a working f/14, in steps of 0.04 mm.
SMALL = {"size": 192, "frames": 11, "step_mm": 0.04, "focus": 5.2}


def holds(found, name, truth, *, within):
    """Check a measured number and its interval."""
    estimate = found.measured[name]
    assert estimate.value == pytest.approx(truth, rel=within), name
    assert estimate.low <= truth <= estimate.high, (name, estimate)


def test_the_series_of_hopkins_is_our_transfer_function():
    """Hopkins, Proc. R. Soc. A 231, 91 (1955): his series is another way to the same function."""
    s, w = np.linspace(0.01, 1.99, 40)[:, None], np.linspace(0, 3, 16)
    np.testing.assert_allclose(hopkins_series(s, w), defocus_otf(s, w), atol=1e-9)


def test_a_lens_made_of_hopkins_series_comes_back(tmp_path):
    """F-number and pitch within 3 %, colour within 5; the frames are made of his series alone."""
    shots, rig = card_stack(**SMALL)
    found = calibrate_lens(shots, start=rig)
    holds(found, "working_f_number", 14.0, within=0.03)
    holds(found, "magnification", 1.6, within=0.03)
    holds(found, "pitch_on_subject_um", 4.0 / 1.6, within=0.03)
    holds(found, "axial_colour_red_mm", 0.8 * 0.04, within=0.05)
    holds(found, "axial_colour_blue_mm", 0.5 * 0.04, within=0.05)
    curved = found.measured["field_curvature_per_mm"]
    assert curved.low <= 0 <= curved.high
    path = tmp_path / "mine.toml"
    path.write_text(rig_text(found), encoding="utf-8")
    again = load_rig(path)
    assert rig_f_number(again) == pytest.approx(14.0, rel=0.03)
    assert again.lens.axial_colour_mm[0] == pytest.approx(0.032, rel=0.05)


@pytest.mark.slow
def test_with_the_magnification_known_the_step_comes_back():
    """The other way round; the step that a file tells is not asked."""
    shots, rig = card_stack(**SMALL | {"step_mm": 0.05})
    found = calibrate_lens(replace(shots, step_mm=None, magnification=1.6), start=rig)
    holds(found, "step_mm", 0.05, within=0.03)
    assert "magnification" not in found.measured


@pytest.mark.slow
def test_coarse_pixels_need_step_and_magnification():
    """Where diffraction is a twentieth of a pixel geometry alone is seen: one number for two."""
    shots, rig = card_stack(**SMALL | {"f_number": 3.0, "pitch_um": 30.0, "step_mm": 0.06})
    with pytest.raises(LensCalibrationError, match=r"give --step and --magnification both"):
        calibrate_lens(shots, start=rig)
    found = calibrate_lens(replace(shots, magnification=1.6), start=rig)
    holds(found, "working_f_number", 3.0, within=0.03)


#: Shipped rigs with more curvature and colour, so that the middle of the picture shows them; and
#: what bin and step.
FOUR = {
    "field-1x": ({"field_curvature_per_mm": 0.2, "axial_colour_mm": (0.1, 0.0, 0.06)}, 0.15),
    "field-2x": ({"field_curvature_per_mm": 0.12, "axial_colour_mm": (0.02, 0.0, 0.015)}, 0.035),
    "short-tube": ({"field_curvature_per_mm": 0.1}, 0.13),
    "bellows-objective": (
        {"field_curvature_per_mm": -0.25, "axial_colour_mm": (-0.01, 0.0, 0.01)},
        0.012,
    ),
}
#: A rig takes half a minute and more: two are held by every run of CI, the others before a release.
#: So curved a field makes the short tube's views wide: six minutes.
RUN = {"field-2x": "slow", "bellows-objective": "slow"}
CARD = """
title = "grained card"
about = "A flat grained card."
rig = "field-2x"
field_mm = [20, 15]
depth_mm = [-0.1, 0.1]
seed = 4
[[surface]]
name = "card"
lit = false
living = false
[surface.texture]
kind = "octaves"
palette = ["#22201e", "#8b8982", "#e8e4da"]
cell_mm = CELL
contrast = 1.2
flatness = 0
"""


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=getattr(pytest.mark, RUN.get(name, "long"))) for name in FOUR]
)
def test_rendered_rigs_come_back(name, tmp_path):
    """F-number and pitch within 3 %, curvature within 10 %; sensor noise, spherical aberration."""
    changes, step_mm = FOUR[name]
    rig = load_rig(name)
    rig = replace(rig, lens=replace(rig.lens, **changes))
    cell = 100 / image_scale_px_per_mm(rig)
    path = tmp_path / "card.toml"
    path.write_text(CARD.replace("CELL", f"{cell:.4f}"), encoding="utf-8")
    shooting = shoot(
        load_scene(path), rig, stance="stepped", light="steady-lamp", frames=15, crop=(420, 300),
        approach=Approach(kind="stepped", step_mm=step_mm, start_mm=-6.8 * step_mm),
        encoding="float", quality="fast",
    )  # fmt: skip
    shots = shots_of(
        [frame.image for frame in shooting], pitch_um=rig.sensor.pitch_um, step_mm=step_mm
    )
    shots = replace(shots, focal_length_mm=rig.lens.focal_length_mm)
    found = calibrate_lens(shots, start=load_rig(name))
    holds(found, "working_f_number", rig_f_number(rig), within=0.03)
    holds(found, "pitch_on_subject_um", 1e3 / image_scale_px_per_mm(rig), within=0.03)
    holds(found, "field_curvature_per_mm", rig.lens.field_curvature_per_mm, within=0.1)
    holds(found, "distance_mm", focus_distance_mm(rig), within=0.05)
    for channel, colour in ((0, "red"), (2, "blue")):
        holds(found, f"axial_colour_{colour}_mm", rig.lens.axial_colour_mm[channel], within=0.1)


def bad_stack(kind):
    """Return a stack that cannot be measured, and the words that say why."""
    plain = {**SMALL, "picture": card(SMALL["size"])}
    if kind == "no detail":
        flat = np.full((SMALL["size"],) * 2, 0.4)
        return card_stack(**plain | {"picture": flat})[0], "enough fine detail|laid on each other"
    if kind == "one side":
        return card_stack(**plain | {"focus": -1.5})[0], "from well before the focus to well behind"
    if kind == "long steps":
        shots = card_stack(**plain | {"step_mm": 0.16})[0]
        return shots, "steps are too long|laid on each other"
    near, far = (card_stack(**plain | {"focus": focus})[0].frames for focus in (3.0, 7.0))
    halves = [
        np.concatenate([a[:, :96], b[:, 96:]], axis=1) for a, b in zip(near, far, strict=True)
    ]
    quarters = [np.concatenate([a[:96], b[96:, ::-1]]) for a, b in zip(halves, halves, strict=True)]
    return shots_of(quarters, pitch_um=4.0, step_mm=0.04), "not flat"


SLOW = [
    pytest.param("relief", marks=pytest.mark.slow),
    *(pytest.param(kind, marks=pytest.mark.long) for kind in ("no detail", "long steps")),
]


@pytest.mark.parametrize("kind", ["one side", *SLOW])
def test_a_bad_stack_is_refused_in_a_sentence(kind):
    """Each says what is wrong and what to do, and none is measured."""
    shots, words = bad_stack(kind)
    with pytest.raises(LensCalibrationError, match=words):
        calibrate_lens(shots)


def test_what_must_be_known_is_asked_for(tmp_path, capsys):
    """Too few frames, no pitch, neither step nor magnification: nothing is read or written."""
    picture = encode_image(np.full((8, 8, 3), 99, np.uint8), ".png")
    for number in range(6):
        (tmp_path / f"{number}.png").write_bytes(picture)
    with pytest.raises(
        RequestError, match="6 pictures, expected more: a calibration needs 7 or more"
    ):
        read_shots(tmp_path)
    (tmp_path / "6.png").write_bytes(picture)
    with pytest.raises(RequestError, match="give it with --pitch"):
        read_shots(tmp_path)
    with pytest.raises(RequestError, match="give --step"):
        read_shots(tmp_path, pitch_um=4.0)
    lens = {"focal_length_mm": 60.0, "pupil_ratio": 0.8}
    told = read_shots(tmp_path, pitch_um=4.0, step_mm=0.1, **lens).told_by
    assert {told[name] for name in (*lens, "step_mm", "pitch_um")} == {"given"}
    assert lens.keys().isdisjoint(read_shots(tmp_path, pitch_um=4.0, step_mm=0.1).told_by)
    assert main(["calibrate-lens", str(tmp_path), "--out", "mine.txt"]) == 2
    assert ".toml file to make" in capsys.readouterr().err
    assert main(["calibrate-lens"]) == 2
    assert main(["calibrate-lens", "--how"]) == 0
    assert "--magnification" in capsys.readouterr().out
