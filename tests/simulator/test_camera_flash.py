"""The flash that rides on the camera: how its light falls off, turns and moves."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from stacktruth.simulator import Pose, Rig, Scene
from stacktruth.simulator.compositing.render import render_view
from stacktruth.simulator.export.export import scene_mesh
from stacktruth.simulator.handling.light import load_light
from stacktruth.simulator.scene.relief.plain import Slope
from stacktruth.simulator.scene.scene import Balls, CameraFlash, Fibres, Lighting, Sheet
from stacktruth.simulator.scene.texture.plain import Flat
from stacktruth.simulator.shooting.shoot import shoot
from stacktruth.simulator.view.camera import Camera
from stacktruth.simulator.view.camera_flash import diffuser

WHITE = Flat(colour=(1.0, 1.0, 1.0))


@pytest.fixture(scope="module")
def lit(scene: Callable[..., Scene]) -> Callable[..., Scene]:
    """Make a scene that a flash on the camera lights alone."""

    def make(*surfaces: object, ambient: float = 0.0, **flash: object) -> Scene:
        lighting = Lighting(ambient=ambient, flash=CameraFlash(**flash))
        return scene(*surfaces, lighting=lighting)

    return make


def card(**changes: object) -> Sheet:
    """Return a white card across the whole picture."""
    return Sheet(**({"name": "card", "texture": WHITE} | changes))


def middle(picture: np.ndarray) -> float:
    """Return the light in the middle of a picture."""
    return float(picture[picture.shape[0] // 2, picture.shape[1] // 2, 1])


@pytest.mark.parametrize("shape", ["disc", "square"])
@pytest.mark.parametrize("ambient", [0.0, 0.4])
def test_what_is_in_focus_on_the_axis_is_exposed_as_ever(
    shape: str, ambient: float, rig: Rig, lit: Callable[..., Scene]
) -> None:
    """Wherever the flash is: white there is 1."""
    made = lit(card(), ambient=ambient, at_mm=(30, -45, 20), size_mm=25, shape=shape)
    assert middle(render_view(made, rig, quality="fast")) == pytest.approx(1, abs=1e-4)


def test_a_card_behind_goes_dark_by_the_square_of_its_distance(
    rig: Rig, lit: Callable[..., Scene]
) -> None:
    """A small flash in a small pupil, 100 mm before the focus: twice and three times as far."""
    rig = replace(rig, lens=replace(rig.lens, f_number=90.0))
    for far in (2, 3):
        behind = card(centre_mm=(0, 0, 100.0 * (far - 1)))
        seen = render_view(lit(behind, at_mm=(0, 0, 0), size_mm=0.5), rig, quality="fast")
        assert middle(seen) == pytest.approx(1 / far**2, rel=1e-3)


def test_a_tilted_card_is_lit_as_the_inverse_square_law_says(
    rig: Rig, lit: Callable[..., Scene]
) -> None:
    """Point by point: E = I cos(a) cos(b) / d^2 (Lambert 1760, as in any text on photometry)."""
    tilted = card(relief=Slope(slope_x=1.0))
    seen = render_view(lit(tilted, at_mm=(-20, 10, 30), size_mm=0.2), rig, quality="fast")
    camera, flash, focus = Camera(rig), np.array([-20.0, 10.0, 30.0]), np.array([0.0, 0.0, 100.0])
    normal = np.array([-1.0, 0.0, -1.0]) / np.sqrt(2)
    axis = (focus - flash) / np.linalg.norm(focus - flash)
    level = (focus - flash)[2] / np.linalg.norm(focus - flash) ** 3
    for row, col in ((20, 20), (64, 96), (100, 170)):
        down, across = ((at + 0.5 - mid) / camera.focal_px for at, mid in ((row, 64), (col, 96)))
        # The card rises toward the camera by as much as it goes to the right: z = -x.
        depth = 100 / (1 + across)
        way = flash - np.array([across * depth, down * depth, depth])
        length = np.linalg.norm(way)
        wanted = (way @ normal / length) * (-way @ axis / length) / length**2 / level
        assert seen[row, col, 1] == pytest.approx(wanted, rel=1e-3)


def test_a_wide_disc_lights_as_published(rig: Rig) -> None:
    """On its axis, pi L a^2 / (a^2 + h^2): element to parallel disc (Hamilton and Morgan 1952)."""
    front = diffuser(CameraFlash(at_mm=(0, 0, 40), size_mm=40), rig)
    assert front.level * front.area_mm2 == pytest.approx(np.pi * 20**2 / (20**2 + 60**2), rel=2e-3)


def test_a_wide_square_lights_as_published(rig: Rig) -> None:
    """On its axis: four times an element below a corner of a rectangle (the same, P-1)."""
    front = diffuser(CameraFlash(at_mm=(0, 0, 40), size_mm=40, shape="square"), rig)
    side = 20 / 60
    root = np.sqrt(1 + side**2)
    wanted = 4 * side / root * np.arctan(side / root)
    assert front.level * front.area_mm2 == pytest.approx(wanted, rel=1e-3)


def test_the_corners_of_a_front_hold_its_area(rig: Rig) -> None:
    """By the shoelace formula, in its own plane."""
    for shape in ("disc", "square"):
        front = diffuser(CameraFlash(at_mm=(12, -30, 10), size_mm=18, shape=shape), rig)
        rim = front.corners_mm
        doubled = np.cross(rim, np.roll(rim, -1, axis=0)).sum(axis=0)
        assert abs(doubled @ front.facing) / 2 == pytest.approx(front.area_mm2, rel=1e-9)


def test_the_flash_goes_with_the_camera(rig: Rig, lit: Callable[..., Scene]) -> None:
    """A camera that is moved along a card and keeps to its distance takes the same picture."""
    made = lit(card(), at_mm=(15, -25, 20))
    ours, moved = (
        render_view(made, rig, pose=pose, quality="fast")
        for pose in (Pose(), Pose(x_mm=3.0, y_mm=-2.0))
    )
    assert np.abs(ours - moved).max() < 1e-5
    nearer = render_view(made, rig, pose=Pose(z_mm=10.0), quality="fast")
    # 80 mm before the card, then 70 mm; from the side: cos^2 of both angles over the square.
    wanted = (70**2 / (70**2 + 850) ** 2) / (80**2 / (80**2 + 850) ** 2)
    axis = np.array([-15, 25, 80]) / np.sqrt(80**2 + 850)
    aimed = axis @ np.array([-15, 25, 70]) / np.sqrt(70**2 + 850)
    wanted = (70 * aimed / (70**2 + 850) ** 1.5) / (80 / (80**2 + 850) ** 1.5)
    assert middle(nearer) == pytest.approx(wanted, rel=5e-3)


def test_balls_and_fibres_are_lit_from_where_the_flash_is(
    rig: Rig, lit: Callable[..., Scene]
) -> None:
    """A flash on the left lights left sides, wherever the scene's other light would be."""
    ball = Balls(kind="balls", name="ball", at_mm=((0, 0, 0),), radius_mm=(0.6,), clear=0)
    ball = replace(ball, highlight=0.0, colour=(1.0, 1.0, 1.0))
    hair = Fibres(
        kind="fibres",
        name="hair",
        paths_mm=(((0, -1, 0), (0, 1, 0)),),
        radius_um=(300, 300),
        root_colour=(1, 1, 1),
        tip_colour=(1, 1, 1),
    )
    for made in (ball, hair):
        seen = render_view(lit(made, at_mm=(-60, 0, 60)), rig, quality="fast")[64, :, 1]
        assert seen[86] > 1.5 * seen[106] > 0


def test_a_shoot_does_not_count_the_distance_twice(rig: Rig, lit: Callable[..., Scene]) -> None:
    """The light's own distance gives gains that rise with the advance; here they do not."""
    light = load_light("flash-sixteenth")
    assert light.flash is not None
    even = replace(light, flash=replace(light.flash, spread_stops=0.0, refill="instant"))
    asked = {"stance": "stepped", "light": even, "frames": 4, "seed": 1, "crop": (32, 32)}
    gains = [
        [record.gain_stops for record in shoot(one, rig, **asked).records]
        for one in (lit(card(), at_mm=(0, -30, 10)), lit(card(), at_mm=(0, -30, 10)))
    ]
    assert np.ptp(gains[0]) == pytest.approx(0, abs=1e-9)
    fixed = replace(lit(card(), at_mm=(0, -30, 10)), lighting=Lighting())
    assert np.ptp([record.gain_stops for record in shoot(fixed, rig, **asked).records]) > 0.01


def test_an_exported_mesh_has_the_flash_light_of_its_camera(
    rig: Rig, lit: Callable[..., Scene]
) -> None:
    """At the corner nearest to the middle of the picture, from where that camera stands."""
    made = lit(card(relief=Slope(slope_x=0.5)), at_mm=(20, -30, 20))
    camera = Camera(rig, Pose(z_mm=8.0))
    mesh = scene_mesh(made, camera, pitch_mm=0.1)
    at = np.hypot(*mesh.points_mm[:, :2].T).argmin()
    assert np.hypot(*mesh.points_mm[at, :2]) < 0.08
    seen = render_view(made, rig, pose=camera.pose, quality="fast")
    assert mesh.colours[at, 1] == pytest.approx(middle(seen), rel=2e-3)


def test_a_flash_beyond_the_plane_of_focus_is_refused(rig: Rig, lit: Callable[..., Scene]) -> None:
    """It would light the subject from behind."""
    with pytest.raises(ValueError, match=r"'flash\.at_mm': got z = 120, allowed less than.*100 mm"):
        render_view(lit(card(), at_mm=(0, 0, 120)), rig)
