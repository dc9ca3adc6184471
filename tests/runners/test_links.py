"""Pairs of frames: patterns that repeat, ways that are sure, and failure that is told."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from stacktruth.runners.methods.align.align import chained
from stacktruth.runners.methods.align.links import Links, surest_ways
from stacktruth.runners.methods.align.order import depth_order, sized_order
from stacktruth.runners.methods.align.register import Registration, RegistrationError
from stacktruth.runners.methods.align.select import everything, well_exposed
from stacktruth.runners.methods.picture.geometry import similarity
from stacktruth.runners.methods.picture.stack import InputStack
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.shooting.shoot import shoot
from tests.runners.stacks import misplaced_px

PITCH_PX = 24
AT = [(40, 40), (40 + 2 * PITCH_PX, 43), (40 - PITCH_PX, 33)]


def ruled(*, grain: float, noise: float) -> InputStack:
    """Return three views (x, y) of one ruled card, whole pitches apart along the rulings."""
    rng = np.random.default_rng(3)
    lines = (np.arange(560) % PITCH_PX < 4)[None, :] * np.ones((360, 1))
    texture = ndimage.gaussian_filter(rng.normal(size=lines.shape), 1.5)
    card = 0.5 - 0.3 * ndimage.gaussian_filter(lines, 1.0) + grain * texture / texture.std()
    views = [card[y : y + 256, x : x + 384] for x, y in AT]
    noisy = [view + noise * rng.normal(size=view.shape) for view in views]
    frames = [
        np.repeat(np.uint16(65535 * np.clip(one, 0, 1))[..., None], 3, axis=2) for one in noisy
    ]
    return InputStack(frames, {"encoding": "linear", "frames": [{}] * 3})


@pytest.mark.parametrize("pitches", [-1, 0, 1])
def test_a_guess_a_ruling_off_is_put_right(pitches) -> None:
    """Within a tenth of a pixel, though the rulings fit as well there; the grain does not."""
    links = Links(ruled(grain=0.08, noise=0.005), [0, 1, 2], "similarity")
    x, y = np.subtract(AT[0], AT[1])
    found = links.link(0, 1, similarity(x=x + pitches * PITCH_PX, y=y))
    np.testing.assert_allclose(found[:2, 2], (x, y), atol=0.1)
    np.testing.assert_allclose(links.link(1, 0, np.eye(3)), np.linalg.inv(found))


def test_a_ruled_card_is_chained_by_its_grain() -> None:
    """All three views, though the small copies are most alike where the rulings meet."""
    alignment = chained(stack := ruled(grain=0.08, noise=0.005), everything(stack))
    home = AT[alignment.reference]
    for frame in range(3):
        shift = np.subtract(home, AT[frame])
        np.testing.assert_allclose(alignment.matrices[frame][:2, 2], shift, atol=0.1)


def test_what_fits_in_more_than_one_way_is_refused() -> None:
    """Rulings alone, in noise: a shift by a ruling is as likely as none, and that is said."""
    stack = ruled(grain=0.0, noise=0.15)
    links = Links(stack, [0, 1, 2], "similarity")
    with pytest.raises(RegistrationError, match=r"frames 0 and 1 match in more than one way"):
        links.link(0, 1, np.eye(3))
    with pytest.raises(RegistrationError, match=r"only 1 of 3 .* in more than one way"):
        chained(stack, everything(stack))


def test_a_doubtful_link_gives_way_to_a_chain_of_sure_ones() -> None:
    """Frame 3 is reached over 1 and 2, not at once; frame 4 by the only link there is."""
    links = {
        (0, 1): Registration(similarity(x=1), 0.98),
        (1, 2): Registration(similarity(x=2), 0.97),
        (2, 3): Registration(similarity(x=3), 0.98),
        (0, 3): Registration(similarity(x=60), 0.75),
        (3, 4): Registration(similarity(y=5), 0.80),
    }
    placed = surest_ways(links, 0, 6)
    shifts = {row: tuple(one[:2, 2]) for row, one in placed.matrices.items()}
    assert shifts == {0: (0, 0), 1: (1, 0), 2: (3, 0), 3: (6, 0), 4: (6, 5)}
    assert placed.weakest == {0: 1.0, 1: 0.98, 2: 0.97, 3: 0.97, 4: 0.80}
    assert [placed.sure(row) for row in range(5)] == [True] * 4 + [False]
    back = surest_ways(links, 4, 6)
    np.testing.assert_allclose(back.matrices[0][:2, 2], (-6, -5))


@pytest.mark.parametrize("turned", [False, True])
def test_order_takes_likeness_and_size_together(turned) -> None:
    """Likeness that folds (a card is alike before and behind its focus) is unfolded by size.

    And sizes that fold, as those of frames wholly out of focus may, by likeness; the near end is
    told by the frames whose size is sure.
    """
    depth = np.random.default_rng(2).permutation(10)
    if turned:
        depth = 9 - depth
    given, folded = np.arange(10), np.abs(depth - 3.2)
    by_depth = np.abs(np.subtract.outer(depth, depth)) + 0.05
    by_fold = np.abs(np.subtract.outer(folded, folded)) + 0.05
    assert np.abs(np.diff(depth[depth_order(by_fold)])).max() > 1
    sure = depth > 5
    for distance, growth_px in (
        (by_fold, 2.0 * depth),
        (by_depth, 2.0 * folded),
        (by_depth, np.where(sure, 2.0 * depth, 30.0 - 4.0 * depth)),
    ):
        order = sized_order(distance, growth_px, sure, given)
        assert depth[order].tolist() == list(range(10))


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_noise_does_not_join_frames_wrongly(seed) -> None:
    """Grain and rulings at ISO 3200: no frame more than a blurred one's few pixels off.

    Frames in whose view nothing is sharp drift by two or three pixels; one wrong link takes half
    the stack fifteen or thirty pixels away.
    """
    plan = shoot(
        load_scene("ramp"),
        load_rig("field-2x"),
        stance="braced",
        light="flash-sixteenth",
        frames=12,
        seed=seed,
        crop=(768, 512),
        bin=2,
        iso=3200,
    )
    stack = InputStack([plan.frame(number).image for number in range(12)], {"frames": [{}] * 12})
    alignment = chained(stack, well_exposed(stack))
    assert len(alignment.used) == 12
    assert max(misplaced_px(plan, alignment, range(12)).values()) < 4
    planes = [plan.records[frame].focus_z_mm for frame in alignment.used]
    assert np.corrcoef(planes, np.arange(12))[0, 1] > 0.9
