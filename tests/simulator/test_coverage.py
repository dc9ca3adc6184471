"""Shares of pixels, against counts of many points in each pixel and areas by formula."""

import cv2
import numpy as np
import pytest
from scipy.spatial import Delaunay

from stacktruth.simulator.scene.scene import Outline
from stacktruth.simulator.view.coverage import (
    edge_coverage,
    is_convex,
    outline_coverage,
    outline_distance,
    straight_edge,
)

PER_MM = 20.0
OUTLINES = [
    Outline(kind="rectangle", size_mm=(1.4, 0.8)),
    Outline(kind="ellipse", size_mm=(1.4, 0.8)),
    Outline(kind="blade", size_mm=(1.4, 0.8)),
    Outline(kind="spiral", radius_mm=0.6, growth=1.7),
    Outline(kind="polygon", points_mm=((-0.6, -0.5), (0.7, -0.35), (0.1, 0.0), (0.5, 0.6))),
]


def grid(angle_deg, fine=1):
    """Return turned coordinates, px, of the centres of 48 x 64 pixels, or of points in them."""
    row, col = np.meshgrid(
        (np.arange(48 * fine) + 0.5) / fine - 24.3,
        (np.arange(64 * fine) + 0.5) / fine - 31.6,
        indexing="ij",
    )
    turn = np.radians(angle_deg)
    return (
        (np.cos(turn) * col + np.sin(turn) * row).astype(np.float32),
        (np.cos(turn) * row - np.sin(turn) * col).astype(np.float32),
    )


def counted(inside, fine):
    """Return the share of points inside in each pixel."""
    return inside.reshape(48, fine, 64, fine).mean(axis=(1, 3))


@pytest.mark.parametrize("outline", OUTLINES, ids=lambda outline: outline.kind)
@pytest.mark.parametrize("angle", [0, 17, 40])
def test_pixels_on_an_edge_are_covered_as_counted(outline, angle):
    """Along smooth edges a share is right to 3 %, and the whole area to 0.5 %."""
    fine = 16
    share = outline_coverage(outline, *grid(angle), PER_MM)
    inside = outline_distance(outline, *grid(angle, fine), PER_MM) > 0
    error = share - counted(inside, fine)
    edge = (share > 0) & (share < 1)
    assert edge.sum() > 50
    # Corners are no straight edges: at the size of these outlines one pixel in five is near one.
    assert np.quantile(np.abs(error[edge]), 0.75) < 0.03
    assert abs(error.sum()) < 0.005 * share.sum()


@pytest.mark.parametrize(
    "outline", [*OUTLINES, Outline(kind="blade", size_mm=(0.8, 1.4))], ids=lambda o: o.kind
)
def test_a_convex_outline_fills_its_hull(outline):
    """All points in the hull of the points inside are inside; where they are not, it says no."""
    u, v = grid(17)
    inside = outline_distance(outline, u, v, PER_MM) > 0
    points = np.stack([u, v], axis=-1)
    hull = Delaunay(points[inside]).find_simplex(points) >= 0
    assert is_convex(outline) == (not (hull & ~inside).any())


@pytest.mark.parametrize("angle", [0.0, 10.0, 30.0, 45.0])
def test_a_straight_edge_cuts_a_square_exactly(angle):
    """The area of a square on one side of a line, against 400 x 400 points."""
    normal = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    places = (np.arange(400) + 0.5) / 400 - 0.5
    for distance in (-0.8, -0.45, -0.1, 0.0, 0.3, 0.6, 0.9):
        inside = distance + normal[0] * places[:, None] + normal[1] * places > 0
        share = straight_edge(np.float32([distance]), max(normal), min(normal))
        assert float(share[0]) == pytest.approx(inside.mean(), abs=0.006)


def test_the_unit_of_distance_does_not_matter():
    """The gradient tells how far from the edge a pixel is."""
    u, _ = grid(20)
    np.testing.assert_allclose(edge_coverage(u), edge_coverage(1.3 * u), atol=1e-3)


def test_a_strip_thinner_than_a_pixel_keeps_its_area():
    """A rectangle 0.3 px wide covers 0.3 px times its length."""
    strip = Outline(kind="rectangle", size_mm=(0.3 / PER_MM, 30 / PER_MM))
    share = outline_coverage(strip, *grid(25), PER_MM)
    assert share.sum() == pytest.approx(0.3 * 30, rel=0.01)


def test_far_from_an_edge_all_is_nought_or_one():
    """No rounding leaks into the middle or the outside."""
    u, _ = grid(33)
    share = edge_coverage(u)
    assert set(np.unique(share[np.abs(u) > 2])) == {0.0, 1.0}


@pytest.mark.parametrize("angle", [0, 33])
def test_the_distance_to_a_polygon_of_many_sides_is_that_of_opencv(angle):
    """A star, over more than one block of points each way; OpenCV's is in single precision."""
    spike = np.arange(60)
    radius = np.where(spike % 2, 120.0, 45.0 + spike)
    turn = spike * np.pi / 30
    corners = np.stack([radius * np.cos(turn), radius * np.sin(turn)], axis=1)
    star = Outline(kind="polygon", points_mm=tuple(map(tuple, corners.tolist())))
    u, v = (np.concatenate([one - 50, one + 40]) for one in grid(angle, 2))
    found = outline_distance(star, u, v, 1.0)
    contour = corners.astype(np.float32)[:, None]
    there = [cv2.pointPolygonTest(contour, at, True) for at in zip(u.flat, v.flat, strict=True)]
    np.testing.assert_allclose(found.ravel(), there, rtol=0, atol=1e-3)
