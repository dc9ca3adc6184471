"""Alignment against known transforms and against OpenCV's registration."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest
from scipy import ndimage
from skimage.transform import warp

from stacktruth.ground.srgb import LUMA
from stacktruth.runners.methods.align.align import (
    chained,
    direct,
    no_alignment,
    phase_correlated,
)
from stacktruth.runners.methods.align.equalise import channel_gain, local_gain
from stacktruth.runners.methods.align.flow import residual_flow
from stacktruth.runners.methods.align.order import depth_order
from stacktruth.runners.methods.align.register import RegistrationError, register, translation
from stacktruth.runners.methods.align.select import (
    everything,
    greedy_cover,
    relative_sharpness,
    sharp_somewhere,
    well_exposed,
)
from stacktruth.runners.methods.picture.geometry import (
    carried,
    covered,
    displacement,
    for_binned,
    for_full,
    inside,
    resample,
    resample_dense,
    scale_of,
    similarity,
    turn_of,
)
from stacktruth.runners.methods.picture.stack import CLIPPED, InputStack, binned
from stacktruth.runners.methods.picture.strips import strips
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.shooting.shoot import shoot
from tests.runners.stacks import Made, make_stack, misplaced_px

SHUFFLED = [3, 0, 5, 1, 4, 2]
CARD = """
title = "flat card"
rig = "field-2x"
field_mm = [11.7, 7.8]
depth_mm = [-0.5, 0.5]
seed = 11

[[surface]]
name = "card"
lit = false
living = false
texture = { kind = "octaves", palette = ["#4d4738", "#8d8778", "#d6d1c2"], cell_mm = 0.8 }
"""


@cache
def moved(photo: str = "coffee") -> Made:
    """Return a stack out of order, with shift, scale, rotation, gains and a little noise."""
    return make_stack(
        shape=(300, 384),
        order=SHUFFLED,
        shift_px=20,
        scale_step=0.004,
        turn_mrad=5,
        gain_stops=0.5,
        noise=0.002,
        photo=photo,
    )


def errors(made: Made, alignment) -> dict[int, float]:
    """Return for every used frame the median over the picture of the misplacement, px."""
    shape = made.frames[0].shape[:2]
    home = np.linalg.inv(made.matrices[alignment.reference])
    found = {}
    for frame in alignment.used:
        truth = carried(made.matrices[frame] @ home, shape)
        places = carried(alignment.matrices[frame], shape)
        found[frame] = float(np.median(np.hypot(*np.moveaxis(truth - places, -1, 0))))
    return found


@pytest.mark.parametrize("photo", ["coffee", "grass", "rocket"])
def test_a_shuffled_stack_is_aligned_and_put_in_order(photo) -> None:
    """Within a third of a pixel, near frame first, whatever the order given."""
    made = moved(photo)
    stack = InputStack(made.frames, made.info)
    alignment = chained(stack, well_exposed(stack))
    assert max(errors(made, alignment).values()) < 0.33
    assert [SHUFFLED[frame] for frame in alignment.used] == [0, 1, 2, 3, 4, 5]


def test_a_chosen_reference_is_kept() -> None:
    """Its own transform is nothing, and the others are as good."""
    made = moved()
    stack = InputStack(made.frames, made.info)
    alignment = chained(stack, everything(stack), reference=4)
    assert alignment.reference == 4
    np.testing.assert_array_equal(alignment.matrices[4], np.eye(3))
    assert max(errors(made, alignment).values()) < 0.4


def test_affine_includes_similarity() -> None:
    """Two more freedoms cost little where they are not needed."""
    made = moved("grass")
    stack = InputStack(made.frames, made.info)
    alignment = chained(stack, everything(stack), model="affine")
    assert max(errors(made, alignment).values()) < 0.33


def test_direct_alignment_is_exact_without_defocus() -> None:
    """Against one reference frame, when all are sharp, a hundredth of a pixel is left."""
    made = make_stack(blur_px_per_frame=0, shift_px=10, scale_step=0.002, turn_mrad=3)
    stack = InputStack(made.frames, made.info)
    assert max(errors(made, direct(stack, everything(stack))).values()) < 0.02


def test_shifts_alone_are_found_by_phase_correlation() -> None:
    """A twentieth of a pixel, with no scale and no turn in the stack."""
    made = make_stack(blur_px_per_frame=0, shift_px=15, photo="grass")
    stack = InputStack(made.frames, made.info)
    assert max(errors(made, phase_correlated(stack, everything(stack))).values()) < 0.05


@pytest.mark.parametrize("shift", [(0, 0), (3, -2), (-7, 5), (12, 1)])
def test_translation_agrees_with_opencv(shift) -> None:
    """Within 0.1 px of cv2.phaseCorrelate, one of the two frames a little out of focus.

    Whole pixels, because OpenCV's centroid of the peak is off by up to 0.35 px between them
    (measured on these pictures); there the truth is the measure, in the test above.
    """
    picture = make_stack(shape=(240, 320), blur_px_per_frame=0, photo="grass", count=2).frames[0]
    light = InputStack([picture], {"frames": [{"file": "0.tif"}]}).small(0).luma
    x, y = shift
    first = light[20:212, 20:276].copy()
    second = cv2.GaussianBlur(light, (0, 0), 0.8)[20 - y : 212 - y, 20 - x : 276 - x].copy()
    window = cv2.createHanningWindow(first.shape[::-1], cv2.CV_32F)
    theirs, _ = cv2.phaseCorrelate(first, second, window)
    np.testing.assert_allclose(translation(first, second)[:2, 2], theirs, atol=0.1)
    np.testing.assert_allclose(theirs, shift, atol=0.1)


def test_registration_agrees_with_opencv() -> None:
    """Within 0.1 px (median) of cv2.findTransformECC, affine, on neighbouring frames."""
    made = make_stack(
        shape=(300, 384), shift_px=8, scale_step=0.002, turn_mrad=3, blur_px_per_frame=0.5
    )
    stack = InputStack(made.frames, made.info)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 300, 1e-7)
    for frame in range(5):
        first, second = stack.small(frame).luma, stack.small(frame + 1).luma
        ours = register(first, second).matrix
        theirs = np.eye(3)
        start = ours[:2].astype(np.float32) + np.float32([[0, 0, 0.7], [0, 0, -0.7]])
        theirs[:2] = cv2.findTransformECC(first, second, start, cv2.MOTION_AFFINE, stop, None, 5)[1]
        apart = carried(ours, first.shape) - carried(theirs, first.shape)
        assert np.median(np.hypot(*np.moveaxis(apart, -1, 0))) < 0.1


def test_contrast_and_offset_do_not_matter() -> None:
    """A frame of half the light and a veil lies where it lay."""
    made = make_stack(shift_px=6)
    luma = InputStack(made.frames, made.info).small(1).luma
    other = InputStack(made.frames, made.info).small(2).luma
    plain = register(luma, other).matrix
    veiled = register(luma, 0.5 * other + 0.1).matrix
    assert displacement(plain, veiled, luma.shape) < 1e-3


def test_linear_light_is_needed() -> None:
    """Defocus moves edges of an encoded picture: the reason why small copies are linear."""
    made = make_stack(shape=(300, 384), blur_px_per_frame=2.0)
    stack = InputStack(made.frames, made.info)
    in_light = register(stack.small(1).luma, stack.small(2).luma).matrix
    encoded = [np.sqrt(stack.small(frame).luma) for frame in (1, 2)]
    shape = encoded[0].shape
    off_encoded = displacement(register(*encoded).matrix, np.eye(3), shape)
    assert displacement(in_light, np.eye(3), shape) < 0.5 * off_encoded


def test_pictures_of_different_things_are_a_failure() -> None:
    """A reason, not a warped picture."""
    parts = [make_stack(photo=photo, count=2) for photo in ("coffee", "rocket", "grass")]
    frames = [part.frames[0] for part in parts]
    info = parts[0].info | {"frames": [{"file": f"{i}.tif"} for i in range(3)]}
    stack = InputStack(frames, info)
    with pytest.raises(RegistrationError, match="only 1 of 3 frames could be aligned"):
        chained(stack, everything(stack))
    with pytest.raises(RegistrationError, match="only 1 of 3 frames could be aligned"):
        direct(stack, everything(stack))


@pytest.mark.slow
def test_one_foreign_frame_is_left_out() -> None:
    """The others are aligned as if it were not there."""
    made = moved("grass")
    frames = [*made.frames, make_stack(shape=(300, 384), photo="coffee", count=2).frames[0]]
    info = made.info | {"frames": [*made.info["frames"], {"file": "x.tif"}]}
    stack = InputStack(frames, info)
    alignment = chained(stack, everything(stack))
    assert set(alignment.used) == set(range(6))
    assert max(errors(made, alignment).values()) < 0.33


def test_unknown_model_and_unlike_sizes_are_refused() -> None:
    """The message names what is allowed."""
    picture = np.zeros((60, 80), dtype=np.float32)
    with pytest.raises(ValueError, match="allowed: translation, similarity, affine"):
        register(picture, picture, model="rigid")
    with pytest.raises(ValueError, match=r"differ in size: \(60, 80\) and \(60, 79\)"):
        register(picture, picture[:, 1:])


def test_flow_follows_parallax_that_a_plane_transform_cannot() -> None:
    """Two halves that move apart by 3 px: most of what a plane transform leaves, the flow takes."""
    made = make_stack(shape=(256, 384), count=2, blur_px_per_frame=0, photo="grass")
    base = made.frames[0]
    columns = np.arange(384)[None, :] * np.ones((256, 1))
    rows = np.arange(256)[:, None] * np.ones((1, 384))
    parallax = 1.5 * np.tanh((columns - 192) / 40)
    places = np.stack([rows, columns - parallax], axis=-1).astype(np.float32)
    other = resample_dense(base.astype(np.float32), places).clip(0, 65535).astype(np.uint16)
    stack = InputStack([base, other], made.info)
    flowing = residual_flow(stack, (0, 1))
    frame = 1 - flowing.reference
    sign = 1 if frame == 1 else -1
    truth = columns + sign * parallax
    inner = np.s_[24:-24, 24:-24]
    plane_error = np.abs(carried(flowing.matrices[frame], (256, 384))[..., 1] - truth)[inner]
    flow_error = np.abs(flowing.places(frame)[..., 1] - truth)[inner]
    assert np.median(plane_error) > 0.4
    assert np.median(flow_error) < 0.15


def test_unknown_flow_is_refused() -> None:
    """The message names what is allowed."""
    stack = InputStack(moved().frames, moved().info)
    with pytest.raises(ValueError, match="allowed: ilk, tvl1"):
        residual_flow(stack, (0, 1), kind="other")


def test_transforms_of_small_copies_and_full_pictures_convert() -> None:
    """Bin, find, go back: the same transform; pixel (0, 0) has its centre at (0, 0)."""
    matrix = similarity(scale=1.01, turn=0.02, x=3, y=-2, centre=(100, 80))
    np.testing.assert_allclose(for_full(for_binned(matrix, 4), 4), matrix, atol=1e-12)
    assert for_binned(similarity(x=4), 4)[0, 2] == pytest.approx(1)
    assert scale_of(matrix) == pytest.approx(1.01)
    assert turn_of(matrix) == pytest.approx(0.02)


def test_resampling_goes_from_reference_to_frame() -> None:
    """What lies at (x + 2, y + 1) in the frame comes to (x, y): one asymmetric spot."""
    frame = np.zeros((20, 30), dtype=np.float32)
    frame[8, 13] = 1
    found = resample(frame, similarity(x=2, y=1))
    assert np.unravel_index(found.argmax(), found.shape) == (7, 11)
    dense = resample_dense(frame, carried(similarity(x=2, y=1), frame.shape))
    np.testing.assert_allclose(found, dense, atol=1e-5)
    assert covered(similarity(x=2, y=1), frame.shape).sum() == 19 * 28


def fine_texture(shape: tuple[int, int]) -> np.ndarray:
    """Return two planes with details as fine as a sharp lens draws them, 0..1."""
    noise = np.random.default_rng(3).random((*shape, 2))
    smooth = ndimage.gaussian_filter(noise, (1.5, 1.5, 0)).astype(np.float32)
    return (smooth - smooth.min()) / np.ptp(smooth)


@pytest.mark.parametrize(
    ("matrix", "atol"),
    [
        (similarity(scale=1.01, turn=0.004, x=12.3, y=-7.7), 5e-4),
        (similarity(scale=0.97, turn=-0.02, x=3, y=3), 2e-3),
        (similarity(x=0.5, y=-900), 1e-6),
    ],
)
def test_two_passes_in_strips_do_what_one_does(matrix, atol) -> None:
    """Against scikit-image's 4 x 4 neighbours at once, for the whole picture in double precision.

    The two passes take their neighbours along the turned rows: the further turned, the more it
    shows, but see below.
    """
    shape = (1100, 1024)  # more than one strip
    frame = fine_texture(shape)
    whole = warp(frame.astype(float), matrix, order=3, mode="edge", clip=False)
    shown = covered(matrix, shape)
    np.testing.assert_allclose(resample(frame, matrix)[shown], whole[shown], atol=atol)


def test_two_passes_are_as_true_as_one_for_a_frame_much_turned() -> None:
    """Seventeen degrees, a shift and a scale, both against a spline of degree five."""
    matrix = similarity(scale=0.9, turn=-0.3, x=150, y=100)
    frame = fine_texture((300, 500))
    true = ndimage.affine_transform(
        frame[..., 0].astype(float), matrix[1::-1, 1::-1], matrix[1::-1, 2], order=5, mode="nearest"
    )
    usual = warp(frame[..., 0].astype(float), matrix, order=3, mode="edge", clip=False)
    shown = covered(matrix, true.shape)
    ours, theirs = (
        np.sqrt(np.mean((one - true)[shown] ** 2))
        for one in (resample(frame, matrix)[..., 0], usual)
    )
    assert shown.mean() > 0.4
    assert ours < 1.25 * theirs < 2e-3


@pytest.mark.parametrize(("x", "y"), [(0, 1000.6), (0, -1000.6), (1000.6, 0), (-1000.6, 0)])
def test_a_frame_far_outside_leaves_its_edge(x, y) -> None:
    """Nothing of it is shown: all is its first or last row or column."""
    frame = fine_texture((40, 50))
    row, column = (
        slice(None) if far == 0 else slice(-1, None) if far > 0 else slice(0, 1) for far in (y, x)
    )
    edge = np.broadcast_to(frame[row, column], frame.shape)
    np.testing.assert_allclose(resample(frame, similarity(x=x, y=y)), edge, atol=1e-6)


@pytest.mark.parametrize("seed", range(40))
def test_what_a_frame_covers_is_what_it_shows(seed) -> None:
    """The sides of the frame, as lines, against carrying every pixel; also in perspective."""
    rng = np.random.default_rng(seed)
    shape = (int(rng.integers(1, 60)), int(rng.integers(1, 60)))
    matrix = np.eye(3) + rng.normal(0, 0.05, (3, 3))
    matrix[:2, 2] = rng.normal(0, 8, 2)
    matrix[2] = (*rng.normal(0, 1e-3, 2), 1) if seed % 2 else (0, 0, 1)
    if seed % 5 == 0:
        matrix[0, 1] = matrix[1, 0] = 0
    places = carried(matrix, shape)
    expected = inside(places[..., 0], places[..., 1], shape)
    np.testing.assert_array_equal(covered(matrix, shape), expected)


@pytest.mark.parametrize(
    ("rows", "values", "multiple"), [(300, 9216, 1), (301, 9216, 8), (5, 1, 2)]
)
def test_strips_hold_every_row_once(rows, values, multiple) -> None:
    """In order, and all but the last of whole multiples."""
    cut = list(strips(rows, values, multiple=multiple))
    assert [row for strip in cut for row in range(rows)[strip]] == list(range(rows))
    assert all((strip.stop - strip.start) % multiple == 0 for strip in cut[:-1])


def test_small_copies_know_nothing_of_strips() -> None:
    """Steepness, light and luma of a frame of many strips, against the whole frame's."""
    frame = np.random.default_rng(4).integers(0, 65536, (500, 700, 3)).astype(np.uint16)
    frame[200:203, 100:103] = 65535
    stack = InputStack([frame], {"encoding": "linear"})
    light = frame / np.float32(65535)
    grey = light @ LUMA
    steep = np.zeros((*grey.shape, 2), dtype=np.float32)
    steep[1:-1, :, 0] = abs(np.diff(grey, 2, axis=0))
    steep[:, 1:-1, 1] = abs(np.diff(grey, 2, axis=1))
    small = stack.small(0)
    np.testing.assert_allclose(small.steepness, binned(steep, stack.thumb_bin), rtol=1e-4)
    np.testing.assert_allclose(small.light, binned(light, stack.thumb_bin), rtol=1e-5)
    np.testing.assert_allclose(small.luma, binned(grey, stack.proxy_bin), rtol=1e-5)
    white = binned((frame.max(axis=2) >= CLIPPED * 65535).astype(np.float32), stack.thumb_bin) > 0
    np.testing.assert_array_equal(small.clipped, white)
    assert small.clipped.any()


def test_binning_is_the_mean_of_blocks() -> None:
    """Against a plain mean, leftovers cut off."""
    image = np.random.default_rng(0).random((10, 13, 3)).astype(np.float32)
    expected = image[:9, :12].reshape(3, 3, 4, 3, 3).mean(axis=(1, 3))
    np.testing.assert_allclose(binned(image, 3), expected, rtol=1e-5)


def test_order_is_the_shortest_path() -> None:
    """Points on a line, shuffled: neighbours are found whatever the numbering."""
    rng = np.random.default_rng(1)
    places = rng.permutation(12) + rng.uniform(-0.2, 0.2, 12)
    distance = np.abs(np.subtract.outer(places, places)) + 1e-3
    order = places[depth_order(distance)]
    assert (np.diff(order) > 0).all() or (np.diff(order) < 0).all()


def test_gains_are_found_within_half_a_per_cent() -> None:
    """Ratios to the median gain, from frames that are moved and defocused differently."""
    made = moved("grass")
    stack = InputStack(made.frames, made.info)
    gains = channel_gain(stack, chained(stack, everything(stack)))
    found = np.array([gains[frame] for frame in range(6)])
    expected = np.median(1 / made.gains) ** -1 / made.gains
    np.testing.assert_allclose(found, np.repeat(expected[:, None], 3, axis=1), rtol=5e-3)


def test_a_light_that_moves_is_evened_out() -> None:
    """A gain that rises over one frame by 40 % across the picture is found to within 4 %."""
    made = make_stack(blur_px_per_frame=0, count=3, photo="grass")
    slope = np.linspace(1, 1.4, 256)[None, :, None]
    light = (made.frames[2] / 65535) ** 2.2 * slope
    frames = [*made.frames[:2], np.rint(65535 * light ** (1 / 2.2)).astype(np.uint16)]
    stack = InputStack(frames, made.info)
    alignment = no_alignment(stack, (0, 1, 2))
    field = local_gain(stack, alignment)[2][..., 1].mean(axis=0)
    columns = np.linspace(1, 1.4, field.size)
    inner = slice(field.size // 8, -field.size // 8)
    np.testing.assert_allclose((field * columns)[inner], 1.0, rtol=0.04)


def test_a_misfire_is_dropped_and_a_stop_is_not() -> None:
    """A frame of a sixteenth of the light goes, one of half stays."""
    made = make_stack(count=5, blur_px_per_frame=0)
    frames = [frame.copy() for frame in made.frames]
    for index, stops in ((1, 4), (3, 1)):
        light = (frames[index] / 65535) ** 2.2 * 2.0**-stops
        frames[index] = np.rint(65535 * light ** (1 / 2.2)).astype(np.uint16)
    stack = InputStack(frames, made.info)
    assert well_exposed(stack) == (0, 2, 3, 4)


def test_a_smeared_frame_is_dropped() -> None:
    """A frame blurred along one direction is nowhere as sharp as its neighbours."""
    made = make_stack(count=5, blur_px_per_frame=1.2, photo="grass")
    frames = list(made.frames)
    frames[2] = cv2.blur(frames[2], (21, 1))
    stack = InputStack(frames, made.info)
    assert 2 not in sharp_somewhere(stack)
    assert set(sharp_somewhere(stack)) >= {0, 1, 3}


def test_the_cover_leaves_no_gap_and_no_frame_too_many() -> None:
    """Every part stays sharp, and none of the chosen frames could be left out."""
    made = make_stack(count=8, blur_px_per_frame=0.4, photo="grass")
    stack = InputStack(made.frames, made.info)
    chosen = greedy_cover(stack)
    relative = relative_sharpness(stack, everything(stack))
    assert 1 < len(chosen) < 8
    assert (relative[list(chosen)].max(axis=0) >= 0.8).all()
    for left_out in chosen:
        rest = [frame for frame in chosen if frame != left_out]
        assert not (relative[rest].max(axis=0) >= 0.8).all()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_a_flat_card_from_a_braced_stance_is_aligned(seed, tmp_path) -> None:
    """2:1, 12 frames out of order, rendered by the simulator: within 0.5 px, in order of depth."""
    (tmp_path / "card.toml").write_text(CARD)
    plan = shoot(
        load_scene(tmp_path / "card.toml"),
        load_rig("field-2x"),
        stance="braced",
        frames=12,
        seed=seed,
        crop=(1152, 768),
        bin=2,
        near_mm=-0.7,
        far_mm=0.7,
    )
    place = np.random.default_rng(seed).permutation(12).tolist()
    frames = [plan.frame(number).image for number in place]
    info = {"frames": [{"file": f"{i}.tif"} for i in range(12)], "encoding": "srgb"}
    stack = InputStack(frames, info)
    alignment = chained(stack, well_exposed(stack))
    assert len(alignment.used) == 12
    assert max(misplaced_px(plan, alignment, place).values()) < 0.5
    planes = [plan.records[place[frame]].focus_z_mm for frame in alignment.used]
    assert np.corrcoef(planes, np.arange(12))[0, 1] > 0.95
