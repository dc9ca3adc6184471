"""Families with gloss, clear sheets or drops that bend light: draws have what they are for."""

from __future__ import annotations

import numpy as np
import pytest

from stacktruth import load_rig
from stacktruth.simulator.compositing.render import view_depth
from stacktruth.simulator.family.draw import draw
from stacktruth.simulator.family.family import load_family
from stacktruth.simulator.scene.scene import Balls, Scene, Sheet, scene_of_text
from stacktruth.simulator.shooting.truth import Truth, truth_of
from stacktruth.simulator.view.camera import Camera


def drawn(name: str, seed: int) -> Scene:
    """Return a draw as it is before its light is metered, which takes seconds."""
    return scene_of_text(draw(load_family(name), seed=seed), where=name)


def sheets(scene: Scene) -> dict[str, Sheet]:
    """Return the sheets of a scene by their names."""
    return {one.name: one for one in scene.surface if isinstance(one, Sheet)}


def clear_balls(scene: Scene) -> list[tuple[tuple[float, float, float], float, float]]:
    """Return centre, radius and index of each ball that bends light."""
    found = []
    for one in scene.surface:
        if isinstance(one, Balls) and one.refractive_index is not None:
            radii = one.radius_mm * (len(one.at_mm) if len(one.radius_mm) == 1 else 1)
            found += [(*pair, one.refractive_index) for pair in zip(one.at_mm, radii, strict=True)]
    return found


def truth_in(name: str, seed: int, *, wide_px: int) -> Truth:
    """Return the truth of a draw in pixels so large that it is `wide_px` of them wide."""
    scene = drawn(name, seed)
    rig = load_rig(scene.rig)
    camera = Camera(rig, bin=rig.sensor.width_px // wide_px)
    return truth_of(scene, camera, {0: camera}, reference=0)


def test_beetles_mirror_the_flash_in_drawn_polish():
    """Wing cases have gloss in every draw, lacquered to silky, of clear skin or metallic."""
    scenes = [drawn("beetle", seed) for seed in (1, 2, 4, 5)]
    assert all(scene.lighting.flash is not None for scene in scenes)
    shines = [sheets(scene)["wing cases"].gloss for scene in scenes]
    assert min(shine.roughness for shine in shines) < 0.1
    assert max(shine.roughness for shine in shines) > 0.2
    assert len({shine.tint for shine in shines}) > 1
    # From above on a ground, and from the side on a twig.
    assert {"ground" in sheets(scene) for scene in scenes} == {True, False}
    assert all(("ground" in sheets(scene)) != ("twig" in sheets(scene)) for scene in scenes)


def test_wings_let_light_through_over_what_lies_below():
    """Each wing is clear and stands before the ground; there are one to three."""
    counts = set()
    for scene in (drawn("clear-wing", seed) for seed in (1, 2, 8)):
        own = sheets(scene)
        wings = [one for name, one in own.items() if name.startswith("wing ")]
        counts.add(len(wings))
        assert all(one.transmittance is not None for one in wings)
        assert all(one.centre_mm[2] < own["ground"].centre_mm[2] - 0.4 for one in wings)
    assert counts == {1, 2, 3}


def test_drops_stand_before_what_they_show():
    """Water, or eggs of a little more; nothing of the far pattern moves with the subject."""
    for scene in (drawn("dew-lens", seed) for seed in (1, 11, 18)):
        balls = clear_balls(scene)
        assert len(balls) >= 5
        assert all(1.33 <= index <= 1.42 for _, _, index in balls)
        behind = [one for one in sheets(scene).values() if not one.living]
        assert min(one.centre_mm[2] for one in behind) > 10 * max(r for _, r, _ in balls)


def test_a_drop_is_as_deep_as_the_image_in_it():
    """Through its middle: a ball lens's focal length is n R / (2 (n - 1)) from its centre.

    Hecht, Optics, 5th edition, 5.2 and 6.1 (thick lens with both principal planes in the middle).
    """
    scene = drawn("dew-lens", 11)
    rig = load_rig(scene.rig)
    (x, y, z), radius, index = max(clear_balls(scene), key=lambda ball: ball[1])
    row, col, _ = Camera(rig).project(np.array([x, y, z]))
    depth = view_depth(scene, rig, crop=(2, 2, int(col), int(row)))
    # The far pattern stands between the flower and the sky behind it.
    far = [one.centre_mm[2] for one in sheets(scene).values() if not one.living]
    focal = index * radius / (2 * (index - 1))
    images = [z - 1 / (1 / focal - 1 / (distance - z)) for distance in (min(far), max(far))]
    assert depth.mean() < z - 1.5 * radius
    assert min(images) - 0.02 * radius <= depth.mean() <= max(images) + 0.02 * radius


@pytest.mark.slow
def test_the_truth_of_a_beetle_tells_its_highlights():
    """A domed skin shows the flash beneath itself: a highlight is deeper than what shines."""
    truth = truth_in("beetle", 3, wide_px=60)
    gloss = truth.mask("gloss")
    assert 0.002 < gloss.mean() < 0.2
    assert truth.highlight_depth_mm is not None
    deeper = truth.highlight_depth_mm[gloss] - truth.depth_mm[gloss]
    assert np.median(deeper) > 0.05


@pytest.mark.slow
def test_the_truth_of_a_wing_has_two_depths():
    """Where light comes through, what is seen through the wing lies behind it."""
    truth = truth_in("clear-wing", 4, wide_px=60)
    clear = truth.mask("translucent")
    assert 0.2 < clear.mean() < 0.9
    assert truth.depth_behind_mm is not None
    gap = (truth.depth_behind_mm - truth.depth_mm)[clear]
    assert np.nanmin(gap) > 0
    assert np.nanmedian(gap) > 0.3
