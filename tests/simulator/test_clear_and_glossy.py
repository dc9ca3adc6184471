"""Clear surfaces in the light of a flash on the camera, with gloss and without."""

from dataclasses import replace

import numpy as np
import pytest

from stacktruth.runners.dataset.packed import PackedStack, pack_stack
from stacktruth.runners.judge.judged_view import JudgedView
from stacktruth.simulator import render_view
from stacktruth.simulator.export.export import export_scene, scene_meshes
from stacktruth.simulator.scene.gloss import Gloss
from stacktruth.simulator.scene.scene import Balls, CameraFlash, Lighting, Outline
from stacktruth.simulator.scene.texture.plain import Flat
from stacktruth.simulator.shooting.shoot import shoot
from stacktruth.simulator.shooting.truth import truth_of
from stacktruth.simulator.stack.stackio import check_stack, read_stack
from stacktruth.simulator.stack.stackwrite import write_stack
from stacktruth.simulator.view.camera import Camera

FLASH = Lighting(ambient=0.1, flash=CameraFlash(at_mm=(0, -15, 25), size_mm=2))
GLOSS = Gloss(roughness=0.05)
HALF = Flat(colour=(0.5, 0.5, 0.5))


def ball(**changes):
    """Return a dark ball of radius 0.8 mm, its nearest point in the nominal plane of focus."""
    asked = {"at_mm": ((0, 0, 0.8),), "radius_mm": (0.8,), "colour": (0, 0, 0), "highlight": 0.0}
    return Balls(**({"kind": "balls", "name": "ball", "clear": 0} | asked | changes))


def test_a_drop_shows_a_wall_as_the_flash_lights_it(rig, scene, sheet):
    """Straight through its middle, less ((n - 1) / (n + 1))^2 at each face (Fresnel)."""
    wall = sheet(name="wall", centre_mm=(0, 0, 6), lit=True, colour=(0.6, 0.4, 0.2))
    drop = ball(refractive_index=1.33)
    bare, seen = (
        render_view(scene(*surfaces, lighting=FLASH), rig, crop=(8, 8), quality="fast")[4, 4]
        for surfaces in ([wall], [wall, drop])
    )
    # The flash is 81 mm away instead of the 75 mm at which it lights as ever.
    assert bare[0] < 0.57
    assert seen == pytest.approx(bare * (1 - (0.33 / 2.33) ** 2) ** 2, rel=0.02)


def test_a_drop_mirrors_the_flash_as_an_opaque_ball_does(rig, scene, sheet):
    """The skin is the same: the same light is added, whatever comes through."""
    wall = sheet(name="wall", centre_mm=(0, 0, 6), colour=(0.2, 0.3, 0.1))

    def added(thing):
        """Return what gloss adds to a picture."""
        surfaces = (replace(thing, gloss=GLOSS), thing)
        both = [scene(wall, one, lighting=FLASH) for one in surfaces]
        pictures = [render_view(made, rig, crop=(96, 96), quality="fast") for made in both]
        return pictures[0] - pictures[1]

    opaque = added(ball())
    assert opaque.max() > 0.3
    np.testing.assert_allclose(added(ball(refractive_index=1.33)), opaque, rtol=0, atol=1e-5)


@pytest.fixture
def pane(sheet):
    """Return a card that lets half through, before all that a ball may be."""
    outline = Outline(kind="rectangle", size_mm=(1.0, 9))
    return sheet(
        name="pane", centre_mm=(0.4, 0, -0.3), outline=outline, transmittance=HALF, colour=(0, 0, 0)
    )


def test_a_highlight_is_seen_through_a_clear_sheet(rig, scene, sheet, pane):
    """Half as bright, as deep as ever; behind an opaque sheet there is none."""
    camera = Camera(rig, crop=(48, 48))
    wall = sheet(name="wall", centre_mm=(0, 0, 6), colour=(0, 0, 0))
    glossy = replace(ball(), gloss=GLOSS)
    card = replace(pane, transmittance=None)
    bare, dimmed, hidden = (
        truth_of(scene(wall, *more, lighting=FLASH), camera, {0: camera}, reference=0)
        for more in ([glossy], [glossy, pane], [glossy, card])
    )
    # The pane's left edge is 5 px left of the middle.
    before = np.arange(48) > 24 - 5 + 2
    both = bare.mask("gloss") & dimmed.mask("gloss") & before
    assert both.sum() > 4
    there, behind = bare.highlight_depth_mm[both], dimmed.highlight_depth_mm[both]
    np.testing.assert_array_equal(behind, there)
    np.testing.assert_allclose(dimmed.ideal[both], bare.ideal[both] / 2, rtol=0.02)
    assert not (hidden.mask("gloss") & before).any()


def test_a_stack_may_have_all_regions_and_both_more_depths(rig, scene, sheet, pane, tmp_path):
    """Gloss, translucent and refracted by their own bits: in the folder, in one file, in scores."""
    wall = sheet(name="wall", centre_mm=(0, 0, 3), colour=(0.02, 0.02, 0.02))
    drop = ball(refractive_index=1.33, gloss=GLOSS)
    pane = replace(pane, centre_mm=(0.5, 0, -0.3))
    made = scene(wall, drop, pane, lighting=FLASH)
    plan = shoot(made, rig, frames=1, crop=(40, 40), seed=1, quality="fast")
    folder = write_stack(plan, tmp_path / "stack", progress=False)
    stack = read_stack(folder)
    assert check_stack(folder) == []
    bits = stack.truth_facts["regions"]
    assert [bits[name] for name in ("gloss", "translucent", "refracted")] == [256, 512, 1024]
    pack_stack(stack, tmp_path / "one.npz")
    packed = PackedStack(tmp_path / "one.npz")
    packed.check()
    for truth in (plan.truth(), stack.truth, packed.truth):
        assert truth.regions.dtype == np.uint16
        for name in ("gloss", "translucent", "refracted"):
            assert truth.mask(name).any()
            assert name in JudgedView(stack, truth).masks
        assert (np.isfinite(truth.highlight_depth_mm) == truth.mask("gloss")).all()
        assert (np.isfinite(truth.depth_behind_mm) == truth.mask("translucent")).all()


def test_a_clear_sheet_bends_no_light(rig, scene, pane):
    """Nor does it mirror any: of what its corners do not have they have none, in patches too."""
    (mesh,) = scene_meshes(scene(pane), Camera(rig, bin=4))
    np.testing.assert_allclose(mesh.transmittance, 0.5, rtol=1e-5)
    assert mesh.refraction is None
    assert mesh.gloss is None


def test_an_export_has_gloss_and_what_comes_through(rig, scene, sheet, tmp_path):
    """Each corner has the numbers of both, and zeros where a surface has none."""
    wall = sheet(name="wall", centre_mm=(0, 0, 3))
    drop = ball(refractive_index=1.33, gloss=GLOSS)
    made = scene(wall, drop, lighting=FLASH)
    camera = Camera(rig, bin=4)
    back, front = scene_meshes(made, camera)
    assert back.gloss is None
    assert not back.clear
    np.testing.assert_allclose(np.linalg.norm(front.gloss[:, :3], axis=1), 1, rtol=1e-5)
    assert (front.refraction == np.float32(1.33)).all()
    whole = export_scene(made, tmp_path / "made.ply", rig=rig, bin=4)
    head = (tmp_path / "made.ply").read_bytes().split(b"end_header\n")[0].decode()
    names = [line.split()[-1] for line in head.splitlines() if line.startswith("property float")]
    assert names[6:] == [
        *("nx", "ny", "nz", "roughness", "index", "tr", "tg", "tb"),
        *("transmit_r", "transmit_g", "transmit_b", "refraction"),
    ]
    body = (tmp_path / "made.ply").read_bytes().split(b"end_header\n", 1)[1]
    corners = np.frombuffer(body, "<f4", len(whole.points_mm) * 18).reshape(-1, 18)
    first = len(back.points_mm)
    assert not corners[:first, 6:].any()
    np.testing.assert_array_equal(corners[first:, 9], np.float32(0.05))
    np.testing.assert_array_equal(corners[first:, 17], np.float32(1.33))
