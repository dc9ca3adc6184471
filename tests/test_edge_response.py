"""Rendered slanted edges, measured after ISO 12233, against the lens's transfer times the pixel.

This is where simulator and metrics meet: neither knows how the other gets its curve.
"""

from dataclasses import replace

import numpy as np
import pytest

from stacktruth.metrics.slanted_edge import slanted_edge
from stacktruth.simulator import (
    Pose,
    Scene,
    load_rig,
    load_scene,
    optics,
    render_view,
    transfer,
)
from stacktruth.simulator.scene.scene import Outline, Sheet
from stacktruth.simulator.scene.texture.plain import Flat

FREQUENCY = np.linspace(0.02, 0.5, 49)
ANGLE_DEG = 5.0
GREEN = 1


def half_plane(z_mm, *, angle_deg=ANGLE_DEG):
    """Make a bright sheet that ends at a slanted edge through the middle, before a darker one."""
    turn = np.deg2rad(angle_deg)
    return Scene(
        name="edge",
        field_mm=(4, 3),
        depth_mm=(-1, 1),
        surface=(
            Sheet(name="dark", lit=False, texture=Flat(colour=(0.16,) * 3), centre_mm=(0, 0, z_mm)),
            Sheet(
                name="bright",
                lit=False,
                texture=Flat(colour=(0.64,) * 3),
                centre_mm=(20 * np.cos(turn), 20 * np.sin(turn), z_mm),
                rotate_deg=angle_deg,
                outline=Outline(kind="rectangle", size_mm=(40, 40)),
            ),
        ),
    )


def lens_and_pixel(rig, z_mm, *, angle_deg=ANGLE_DEG):
    """Return the modulus of the exact transfer, lens and pixel, across the edge."""
    turn = np.deg2rad(angle_deg)
    lens = transfer.polychromatic_otf(
        rig, FREQUENCY, defocus_mm=optics.defocus_mm(rig, z_mm), channel=GREEN
    )
    return np.abs(lens * transfer.pixel_mtf(FREQUENCY * np.cos(turn), FREQUENCY * np.sin(turn)))


def measured(picture):
    """Return the modulus that the edge of a picture shows."""
    return slanted_edge(picture[..., GREEN]).at(FREQUENCY)


@pytest.mark.parametrize("angle_deg", [ANGLE_DEG, -8.0])
@pytest.mark.parametrize(
    ("name", "z_mm"),
    [
        ("test-rig", 0.0),
        ("test-rig", 0.3),  # 2.7 px of blur
        ("test-rig", -0.8),  # 7.2 px
        ("field-2x", 0.0),
        ("field-2x", 0.05),  # 3.1 px, 0.16 waves
        ("field-2x", -0.15),  # 9.2 px, 0.48 waves
        ("field-1x", 0.0),
        ("field-1x", 0.4),
    ],
)
def test_an_edge_has_the_transfer_of_the_lens_times_the_pixel(name, z_mm, angle_deg):
    """In focus and out of it, within 0.02 at every frequency up to Nyquist's."""
    rig = load_rig(name)
    crop = (128, 128) if name == "test-rig" else (256, 256)
    picture = render_view(half_plane(z_mm, angle_deg=angle_deg), rig, crop=crop)
    wanted = lens_and_pixel(rig, z_mm, angle_deg=angle_deg)
    assert measured(picture) == pytest.approx(wanted, abs=0.02)


def test_without_diffraction_an_edge_in_focus_has_the_pixel_s_transfer():
    """sinc(f): 0.637 at Nyquist's frequency, within 0.005."""
    rig = load_rig("field-2x")
    picture = render_view(half_plane(0.0), rig, crop=(128, 128), diffraction=False)
    turn = np.deg2rad(ANGLE_DEG)
    wanted = transfer.pixel_mtf(FREQUENCY * np.cos(turn), FREQUENCY * np.sin(turn))
    assert measured(picture) == pytest.approx(wanted, abs=5e-3)


def test_the_measurement_sees_a_wrong_lens():
    """A lens one stop wider is off by far more than the tolerance: the check can fail."""
    rig = load_rig("field-2x")
    wide = replace(rig, lens=replace(rig.lens, f_number=rig.lens.f_number / 1.4))
    picture = render_view(half_plane(0.0), wide, crop=(256, 256))
    assert np.abs(measured(picture) - lens_and_pixel(rig, 0.0)).max() > 0.1


def test_the_slanted_edges_scene_can_be_measured():
    """A plate in focus, as printed: the lens, the pixel, and the print's own softness of a pixel.

    Printed patterns are averaged over a triangle two pixels wide at its foot: sinc^2 for sinc.
    """
    scene = load_scene("slanted-edges")
    rig = load_rig(scene.rig)
    plate = next(surface for surface in scene.surface if surface.name == "plate 3")
    cell = plate.texture.cell_mm
    turn = np.deg2rad(plate.texture.angle_deg)
    # The middle of the right side of the square on the plate's middle.
    x = plate.centre_mm[0] + cell / 4 * np.cos(turn)
    y = plate.centre_mm[1] + cell / 4 * np.sin(turn)
    picture = render_view(scene, rig, pose=Pose(x_mm=x, y_mm=y), crop=(120, 120))
    wanted = lens_and_pixel(rig, 0.0) * np.sinc(FREQUENCY)
    assert measured(picture) == pytest.approx(wanted, abs=0.02)
