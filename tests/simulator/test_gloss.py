"""Gloss: the lobe of mirrored light, and the depth at which a highlight lies."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from stacktruth.simulator import Pose, Rig, Scene, load_scene
from stacktruth.simulator.compositing.levels import Level
from stacktruth.simulator.compositing.render import render, render_view
from stacktruth.simulator.data import DataFileError
from stacktruth.simulator.export.export import export_scene
from stacktruth.simulator.scene.gloss import Gloss
from stacktruth.simulator.scene.relief.patterned import Globe
from stacktruth.simulator.scene.relief.plain import Rough
from stacktruth.simulator.scene.relief.reliefs import Sum
from stacktruth.simulator.scene.scene import (
    Balls,
    CameraFlash,
    Lighting,
    Outline,
    Sheet,
    scene_of_text,
)
from stacktruth.simulator.scene.texture.plain import Flat
from stacktruth.simulator.shooting.shoot import shoot
from stacktruth.simulator.stack.stackio import check_stack, read_stack
from stacktruth.simulator.stack.stackwrite import write_stack
from stacktruth.simulator.view.camera import Camera
from stacktruth.simulator.view.camera_flash import diffuser
from stacktruth.simulator.view.lobe import facets, mirrored, share_within, unmasked
from stacktruth.simulator.view.parts import parts_of
from stacktruth.simulator.view.shine import BUMPY_MM, Shine, unsteady_mm

BLACK = (0.0, 0.0, 0.0)
RADIUS_MM = 0.8
#: Through five cells of the pupil everywhere.
CELLS = Level("cells", cuts=((0.0, 5),))
FLASH = CameraFlash(at_mm=(0, -15, 25), size_mm=2)


def ball(**changes: object) -> Balls:
    """Return a black ball whose nearest point is in the nominal plane of focus."""
    asked = {"at_mm": ((0, 0, RADIUS_MM),), "radius_mm": (RADIUS_MM,), "colour": BLACK, "clear": 0}
    return Balls(**({"kind": "balls", "name": "ball"} | asked | changes))


def globe(**changes: object) -> Sheet:
    """Return the near half of the same ball as a sheet."""
    asked = {
        "centre_mm": (0, 0, RADIUS_MM),
        "outline": Outline(kind="ellipse", size_mm=(1.9 * RADIUS_MM, 1.9 * RADIUS_MM)),
        "relief": Globe(height_mm=RADIUS_MM, radius_mm=(RADIUS_MM, RADIUS_MM)),
        "texture": Flat(colour=BLACK),
    }
    return Sheet(**({"name": "globe"} | asked | changes))


@pytest.fixture(scope="module")
def shiny(scene: Callable[..., Scene]) -> Callable[..., Scene]:
    """Make a scene of a glossy thing in the light of a flash on the camera."""

    def make(thing: Balls | Sheet, roughness: float = 0.02, **flash: object) -> Scene:
        lighting = Lighting(ambient=0.0, flash=replace(FLASH, **flash))
        return scene(replace(thing, gloss=Gloss(roughness=roughness)), lighting=lighting)

    return make


@pytest.mark.parametrize("roughness", [0.05, 0.3, 0.9])
def test_the_facets_together_are_as_large_as_the_surface(roughness: float) -> None:
    """The integral of D(h) cos over all facets is 1 (Walter et al. 2007, equation 4)."""
    edges = np.linspace(0, np.pi / 2, 200_001)
    angle = (edges[1:] + edges[:-1]) / 2
    total = (facets(np.cos(angle), roughness) * np.cos(angle) * np.sin(angle)).sum()
    assert 2 * np.pi * total * edges[1] == pytest.approx(1, rel=1e-4)


@pytest.mark.parametrize("roughness", [0.1, 0.4, 0.9])
@pytest.mark.parametrize("tilt_deg", [0, 40, 75])
def test_facets_that_mirror_all_lose_no_light(roughness: float, tilt_deg: float) -> None:
    """The weak white furnace: what is seen of the facets mirrors all (Heitz 2014, equation 77).

    Light that comes back from a facet in any direction, masked for the eye alone, adds up to 1.
    """
    eye = np.array([np.sin(np.deg2rad(tilt_deg)), 0, np.cos(np.deg2rad(tilt_deg))])
    # By facets: the light's solid angle is 4 (o . h) times theirs.
    down = (np.arange(1500) + 0.5) / 1500
    # Dense near the middle of the lobe.
    angle = np.arctan(roughness * np.tan(down * np.pi / 2))
    step = np.gradient(angle)
    turn = (np.arange(720) + 0.5) / 720 * 2 * np.pi
    sine, cosine = np.sin(angle)[:, None], np.cos(angle)[:, None]
    met = sine * np.cos(turn) * eye[0] + cosine * eye[2]
    light = facets(cosine, roughness) * np.maximum(met, 0) * unmasked(eye[2], roughness)
    total = (light / eye[2] * sine * step[:, None]).sum() * (2 * np.pi / 720)
    assert total == pytest.approx(1, rel=3e-3)


@pytest.mark.parametrize("index", [1.33, 1.5, 2.4])
def test_light_is_mirrored_by_fresnels_laws(index: float) -> None:
    """Straight on ((n - 1) / (n + 1))^2; aslant by sines and tangents (Born and Wolf, 1.5.2)."""
    straight, along = (float(mirrored(np.float64(c), index)) for c in (1.0, 1e-9))
    assert straight == pytest.approx(((index - 1) / (index + 1)) ** 2, rel=1e-6)
    assert along == pytest.approx(1, abs=1e-6)
    angle = np.deg2rad([20.0, 45.0, 70.0, 85.0])
    inside = np.arcsin(np.sin(angle) / index)
    across = (np.sin(angle - inside) / np.sin(angle + inside)) ** 2
    within = (np.tan(angle - inside) / np.tan(angle + inside)) ** 2
    assert mirrored(np.cos(angle), index) == pytest.approx((across + within) / 2, rel=1e-5)


def test_the_share_within_a_polygon_is_the_integral_over_it() -> None:
    """Against a sum over a fine grid, for a triangle beside the middle and one around it."""
    at = (np.arange(1000) + 0.5) / 1000 * 8 - 4
    x, y = np.meshgrid(at, at)
    density = 1 / (np.pi * (1 + x * x + y * y) ** 2) * (at[1] - at[0]) ** 2
    for triangle in (((0.2, 0.1), (2.0, 0.4), (0.7, 1.8)), ((-1, -1), (1.5, -0.5), (0.0, 2.0))):
        inside = np.ones(x.shape, bool)
        for (ax, ay), (bx, by) in zip(triangle, [*triangle[1:], triangle[0]], strict=True):
            inside &= (bx - ax) * (y - ay) - (by - ay) * (x - ax) > 0
        corners = [(np.full(1, u), np.full(1, v)) for u, v in triangle]
        assert share_within(corners)[0] == pytest.approx(density[inside].sum(), rel=2e-3)


@pytest.mark.parametrize("roughness", [0.05, 0.2, 0.6])
def test_what_is_mirrored_is_the_integral_over_the_flash(roughness: float, rig: Rig) -> None:
    """The sum of D F G / (4 cos cos) (equation 20) times the light from each spot of the disc."""
    flash = CameraFlash(at_mm=(15, -40, 30), size_mm=30)
    gloss, lighting = Gloss(roughness=roughness, index=1.6), Lighting(ambient=0.0, flash=flash)
    front, camera = diffuser(flash, rig), Camera(rig)
    point = np.array([0.3, -0.2, 100.4])
    normal = np.array([0.2, -0.32, -1.0])
    normal /= np.linalg.norm(normal)
    rng = np.random.default_rng(3)
    radius, turn = 15 * np.sqrt(rng.random(400_000)), 2 * np.pi * rng.random(400_000)
    across = np.array([1.0, 0, 0]) - front.facing[0] * front.facing
    across /= np.linalg.norm(across)
    spots = radius * np.cos(turn) * across[:, None]
    spots += radius * np.sin(turn) * np.cross(front.facing, across)[:, None]
    way = spots.T + np.array(flash.at_mm) - point
    square = (way**2).sum(axis=1)
    way /= np.sqrt(square)[:, None]
    eye = -point / np.linalg.norm(point)
    half = way + eye
    half /= np.linalg.norm(half, axis=1)[:, None]
    lobe = facets(half @ normal, roughness) * mirrored(half @ eye, 1.6)
    lobe *= unmasked(way @ normal, roughness) * unmasked(eye @ normal, roughness)
    lobe /= 4 * (way @ normal) * (eye @ normal)
    solid = -(way @ front.facing) / square * front.area_mm2
    wanted = front.radiance * np.mean(lobe * (way @ normal) * solid)
    points, normals = (tuple(np.full((1, 1), v) for v in one) for one in (point, normal))
    got = float(Shine(gloss, lighting, camera).radiance(points, normals)[0, 0])
    assert got == pytest.approx(float(wanted), rel=0.01)


def image_depth_mm(distance_mm: float) -> float:
    """Return how deep in a ball the image of a thing lies: 1 / s' = 2 / R + 1 / s, any textbook."""
    return 1 / (2 / RADIUS_MM + 1 / distance_mm)


@pytest.mark.parametrize(
    ("thing", "quality"),
    [
        (ball, "fast"),
        pytest.param(globe, "fast", marks=pytest.mark.slow),
        pytest.param(ball, CELLS, marks=pytest.mark.slow),
        pytest.param(globe, CELLS, marks=pytest.mark.slow),
    ],
)
def test_a_highlight_is_smallest_where_the_mirror_formula_says(
    thing: Callable[..., Balls | Sheet], quality: Level | str, rig: Rig, shiny: Callable[..., Scene]
) -> None:
    """A series of frames through a ball: the second moment of the highlight, within a step."""
    step = 0.1
    made = shiny(thing())
    places = np.arange(0.1, 0.75, step)
    sizes = []
    for z in places:
        seen = render_view(made, rig, pose=Pose(z_mm=z), crop=(64, 64), quality=quality)[..., 1]
        seen = np.where(seen > 0.05 * seen.max(), seen, 0).astype(np.float64)
        row, col = np.indices(seen.shape)
        mass = seen.sum()
        middle = (row * seen).sum() / mass, (col * seen).sum() / mass
        away = (row - middle[0]) ** 2 + (col - middle[1]) ** 2
        sizes.append((away * seen).sum() / mass)
    wanted = image_depth_mm(np.hypot(15, 75))
    assert abs(places[np.argmin(sizes)] - wanted) <= step
    # A disc's moment grows with the square of its distance from focus.
    square, slope, _ = np.polyfit(places, sizes, 2)
    assert -slope / (2 * square) == pytest.approx(wanted, abs=0.02)


@pytest.mark.slow
@pytest.mark.parametrize("roughness", [0.02, 0.15])
def test_cells_see_the_highlight_as_the_middle_of_the_pupil_does(
    roughness: float, rig: Rig, shiny: Callable[..., Scene]
) -> None:
    """Each cell sees it from its own place on the surface; the whole pupil at its own depth."""
    made = shiny(ball(), roughness, size_mm=14)
    whole, cells = (
        render_view(made, rig, pose=Pose(z_mm=-0.4), crop=(96, 96), quality=quality)
        for quality in ("fast", Level("cells", cuts=((0.0, 16),)))
    )
    error = np.minimum(whole, 1) - np.minimum(cells, 1)
    assert -10 * np.log10(np.mean(error**2)) > 47


def bumpy_globe() -> Sheet:
    """Return the globe with bumps of 0.1 mm, as the wing case of a beetle has them."""
    smooth = globe().relief
    bumps = Rough(amplitude_mm=0.0015, cell_mm=0.12, falloff=2.5)
    return globe(relief=Sum(parts=(smooth, bumps)))


def test_bumps_are_found_wherever_they_are(shiny: Callable[..., Scene]) -> None:
    """A smooth globe's image has one depth; that of a bumpy one differs from bump to bump."""
    smooth, bumpy = (parts_of(shiny(thing))[0] for thing in (globe(), bumpy_globe()))
    assert unsteady_mm(smooth, 0.02) < 0.3 * BUMPY_MM
    assert unsteady_mm(bumpy, 0.02) > BUMPY_MM


@pytest.mark.slow
def test_bumps_mirror_one_by_one(rig: Rig, shiny: Callable[..., Scene]) -> None:
    """Fast as through many cells: a glint in each bump is at no common depth."""
    made = shiny(bumpy_globe(), 0.06, size_mm=24)
    whole, cells = (
        render_view(made, rig, pose=Pose(z_mm=0.3), crop=(64, 64), quality=quality)
        for quality in ("fast", Level("cells", cuts=((0.0, 37),)))
    )
    error = np.minimum(whole, 1) - np.minimum(cells, 1)
    assert -10 * np.log10(np.mean(error**2)) > 40


def test_an_exported_mesh_says_how_it_mirrors(
    tmp_path: Path, rig: Rig, shiny: Callable[..., Scene]
) -> None:
    """Normals, roughness, index and tint at the corners, and the flash in a comment."""
    made = shiny(ball(), 0.07)
    mesh = export_scene(made, tmp_path / "ball.ply", rig=rig, pitch_mm=0.2)
    assert mesh.gloss is not None
    out = mesh.points_mm - np.array([0, 0, RADIUS_MM], np.float32)
    assert np.abs(mesh.gloss[:, :3] - out / RADIUS_MM).max() < 1e-5
    assert np.unique(mesh.gloss[:, 3:], axis=0) == pytest.approx(np.array([[0.07, 1.5, 1, 1, 1]]))
    head = (tmp_path / "ball.ply").read_bytes().partition(b"end_header")[0].decode()
    assert "property float roughness\n" in head
    front = diffuser(FLASH, rig)
    assert "comment flash disc 2 mm wide at 0 -15 -75 facing 0 0.196116 0.980581 radiance " in head
    assert float(head.partition("radiance ")[2].split()[0]) == pytest.approx(
        front.radiance, rel=1e-4
    )


def test_gloss_without_a_flash_is_refused() -> None:
    """There is nothing to mirror."""
    text = """
    name = "x"
    field_mm = [4, 3]
    depth_mm = [-1, 1]

    [[surface]]
    name = "card"
    texture = { kind = "flat", colour = "#402010" }
    gloss = { roughness = 0.1 }
    """
    with pytest.raises(DataFileError, match=r"'card': got gloss without a flash.*lighting\.flash"):
        scene_of_text(text, where="here")


def test_the_truth_tells_highlights_and_their_depth(
    rig: Rig, shiny: Callable[..., Scene], tmp_path: Path
) -> None:
    """They are a region of their own, as deep as the mirror formula says, in the folder too."""
    plan = shoot(
        shiny(ball()), rig, stance="stepped", frames=3, crop=(64, 64), near_mm=0.1, far_mm=0.7
    )
    stack = read_stack(write_stack(plan, tmp_path / "stack", progress=False))
    truth = stack.truth
    assert truth.highlight_depth_mm is not None
    gloss = truth.mask("gloss")
    assert 4 < gloss.sum() < 100
    assert (np.isfinite(truth.highlight_depth_mm) == gloss).all()
    deep = truth.highlight_depth_mm[gloss]
    # Beneath the surface where it mirrors: at an angle of 6 degrees, so two hundredths nearer.
    surface = truth.depth_mm[gloss]
    assert deep - surface == pytest.approx(image_depth_mm(np.hypot(15, 75)), abs=0.01)
    assert stack.truth_facts["regions"]["gloss"] == 256
    assert stack.truth_facts["images"]["highlight_depth_mm"]["unit"] == "mm"
    assert check_stack(stack.path) == []


def test_a_truth_without_gloss_is_as_ever(rig: Rig, scene: Callable[..., Scene]) -> None:
    """No region, no depth, and the regions in eight bits."""
    truth = shoot(scene(ball()), rig, frames=2, crop=(32, 32)).truth()
    assert truth.highlight_depth_mm is None
    assert "gloss" not in truth.region_bits
    assert truth.regions.dtype == np.uint8


def test_what_hides_a_highlight_takes_it_out_of_the_truth(
    rig: Rig, shiny: Callable[..., Scene]
) -> None:
    """A dull bar before the upper half of the ball, where the flash is mirrored."""
    made = shiny(ball())
    outline = Outline(kind="rectangle", size_mm=(3, 1))
    bar = Sheet(
        name="bar", centre_mm=(0, -0.5, -0.3), outline=outline, texture=Flat(colour=(0.2, 0.2, 0.2))
    )
    hidden = replace(made, surface=(*made.surface, bar))
    assert shoot(made, rig, frames=1, crop=(64, 64)).truth().mask("gloss").any()
    assert not shoot(hidden, rig, frames=1, crop=(64, 64)).truth().mask("gloss").any()


def test_the_achievable_picture_has_its_highlights_sharp(
    rig: Rig, shiny: Callable[..., Scene]
) -> None:
    """Where a frame holds their own depth, be it that no other does."""
    made = shiny(ball())
    plan = {"stance": "stepped", "frames": 2, "crop": (64, 64)}
    deep, shallow = (
        shoot(made, rig, near_mm=near, far_mm=far, **plan).truth()
        for near, far in ((0.2, 0.6), (-0.6, -0.2))
    )
    assert deep.achievable.max() > 0.9 * deep.ideal.max()
    assert shallow.achievable.max() < 0.7 * shallow.ideal.max()


def test_the_beetle_of_the_book_shines(field_rig: Rig) -> None:
    """Its file is a scene, in which a highlight on the wing cases stands out from a dark ground."""
    made = load_scene(Path(__file__).parents[2] / "docs" / "howto" / "leaf-beetle.toml")
    seen = render(made, Camera(field_rig, bin=64), focus=())
    assert seen[20:26, 36:46].max() > 2 * np.median(seen[20:40, 26:46, 0])
    assert seen[:8].max() < 0.1


@pytest.mark.parametrize("thing", [ball, pytest.param(bumpy_globe, marks=pytest.mark.slow)])
def test_tiles_and_crops_have_the_same_highlights(
    thing: Callable[..., Balls | Sheet],
    rig: Rig,
    shiny: Callable[..., Scene],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A highlight that two tiles share is drawn as one."""
    made, asked = shiny(thing(), 0.06), {"pose": Pose(z_mm=0.2), "quality": "fast"}
    whole = render_view(made, rig, crop=(96, 96), **asked)
    assert whole[24:72, 24:72].max() > 0.5
    cropped = render_view(made, rig, crop=(48, 48), **asked)
    assert np.abs(cropped - whole[24:72, 24:72]).max() < 2e-3
    monkeypatch.setattr("stacktruth.simulator.compositing.render.TILE_PX", 48)
    assert np.abs(render_view(made, rig, crop=(96, 96), **asked) - whole).max() < 2e-3
