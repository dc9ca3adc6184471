"""Many parts at once: where they may be seen, and what is worked out for a picture alone."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from stacktruth.simulator import Pose, Rig, Scene, render_view
from stacktruth.simulator.compositing import sights
from stacktruth.simulator.scene.gloss import Gloss
from stacktruth.simulator.scene.relief.plain import Rough
from stacktruth.simulator.scene.scene import Balls, CameraFlash, Fibres, Lighting, Sheet
from stacktruth.simulator.view.camera import Camera, Window
from stacktruth.simulator.view.parts import parts_of
from stacktruth.simulator.view.view import reaches

POSES = [Pose(), Pose(x_mm=0.3, z_mm=-0.5, pitch_mrad=3, yaw_mrad=-4, roll_mrad=200)]
TUFT = Fibres(
    kind="fibres", name="tuft", count=40, length_mm=(0.3, 1.5), drop_um=(20.0, 40.0), curl=1.0
)


@pytest.fixture
def tuft(scene: Callable[..., Scene]) -> Scene:
    """Give a tuft of bent hairs with drops at their tips."""
    return scene(TUFT)


@pytest.mark.parametrize("pose", POSES)
def test_all_points_of_parts_are_projected_into_their_windows(
    tuft: Scene, rig: Rig, pose: Pose
) -> None:
    """By the pinhole's projection of points of the hairs and around the drops; depths as well."""
    camera, parts = Camera(rig, pose), parts_of(tuft)
    windows, nearest, farthest = reaches(parts, camera)
    around = np.random.default_rng(1).normal(size=(200, 3))
    around /= np.linalg.norm(around, axis=1, keepdims=True)
    for part, window, near, far in zip(parts, windows, nearest, farthest, strict=True):
        if part.region == "fibres" and hasattr(part, "points_mm"):
            points = part.points_mm
        else:
            points = part.centre_mm + part.radius_mm * around
        row, col, depth = camera.project(points)
        assert window.row0 <= row.min() < row.max() <= window.row1
        assert window.col0 <= col.min() < col.max() <= window.col1
        assert near <= depth.min() < depth.max() <= far


@pytest.mark.parametrize("scale", [1, 4])
@pytest.mark.parametrize("pose", POSES)
def test_a_hair_that_misses_a_window_covers_nothing_of_it(
    tuft: Scene, rig: Rig, pose: Pose, scale: int
) -> None:
    """Where it says so it is drawn nowhere; and it says so of most windows it is not drawn in."""
    camera = Camera(rig, pose)
    windows = [Window(r, r + 32, c, c + 32, scale) for r in (-8, 40, 72) for c in (-8, 72, 128)]
    hairs = [part for part in parts_of(tuft) if hasattr(part, "bundle")]
    said, covers = np.array(
        [
            (hair.misses(camera, at), hair.view(camera, at, bare=True).coverage.max() > 0)
            for hair in hairs
            for at in windows
        ]
    ).T
    assert not (said & covers).any()
    assert covers.sum() > 20
    assert (said & ~covers).sum() > 0.9 * (~covers).sum()


def made_for(work: Callable[[], object], monkeypatch: pytest.MonkeyPatch) -> int:
    """Return for how many parts it was worked out how they are seen."""
    made = []

    def counted(numbered: list, taking: sights.Taking) -> list[sights.Sight]:
        made.extend(numbered)
        return see(numbered, taking)

    see = sights._seen_alike
    with monkeypatch.context() as patched:
        patched.setattr(sights, "_seen_alike", counted)
        work()
    return len(made)


def assert_once(made: Scene, rig: Rig, monkeypatch: pytest.MonkeyPatch, quality: str) -> None:
    """Check that in four tiles as many parts are worked out as in one, or fewer."""

    def draw() -> None:
        render_view(made, rig, crop=(32, 24), focus_mm=1.0, quality=quality)

    once = made_for(draw, monkeypatch)
    monkeypatch.setattr("stacktruth.simulator.compositing.render.TILE_PX", 16)
    assert 0 < made_for(draw, monkeypatch) <= once


@pytest.mark.parametrize("quality", ["fast", "true"])
def test_how_hairs_are_seen_is_worked_out_once_a_picture(
    tuft: Scene, rig: Rig, monkeypatch: pytest.MonkeyPatch, quality: str
) -> None:
    """Through cells of the pupil as well."""
    assert_once(tuft, rig, monkeypatch, quality)


@pytest.mark.slow
def test_how_cells_see_what_is_mirrored_is_worked_out_once_a_picture(
    scene: Callable[..., Scene],
    sheet: Callable[..., Sheet],
    rig: Rig,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Bumps have images of their own, so that the pupil is cut."""
    bumps = Rough(amplitude_mm=0.003, cell_mm=0.12, falloff=2.5)
    bumpy, flash = sheet(relief=bumps, gloss=Gloss(roughness=0.1)), CameraFlash(at_mm=(10, 0, 0))
    assert_once(scene(bumpy, lighting=Lighting(flash=flash)), rig, monkeypatch, "fast")


def test_how_parts_are_seen_past_a_rim_is_worked_out_once_a_pupil(
    scene: Callable[..., Scene], rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Tiles have pupils in common."""
    ball = Balls(kind="balls", name="ball", at_mm=((0, 0, 3),), radius_mm=(0.3,))
    lens = replace(rig.lens, cutoff_radius_mm=4.0, cutoff_shift=0.05)
    assert_once(scene(ball), replace(rig, lens=lens), monkeypatch, "fast")
