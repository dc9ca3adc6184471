"""The exported mesh: files read back, areas and volumes by formula, colours as the renderer's."""

import re
from dataclasses import replace

import numpy as np
import pytest

from stacktruth.simulator import Pose, load_rig
from stacktruth.simulator.export.export import export_scene, part_mesh, scene_mesh, scene_meshes
from stacktruth.simulator.export.mesh import grid_faces
from stacktruth.simulator.export.outline_grid import corners_of, filling_grids
from stacktruth.simulator.handling.sway import SubjectPose
from stacktruth.simulator.scene.relief.plain import Rough
from stacktruth.simulator.scene.scene import Balls, Fibres, Outline, Scene, Sheet
from stacktruth.simulator.scene.texture.plain import Flat, Octaves
from stacktruth.simulator.view.camera import Camera
from stacktruth.simulator.view.coverage import outline_distance
from stacktruth.simulator.view.parts import parts_of

RIG = load_rig("test-rig")
CAMERA = Camera(RIG)
NOISE = Octaves(palette=("#102030", "#c0b090"), cell_mm=0.4)
POLYGON = ((-0.6, -0.5), (0.7, -0.35), (0.1, 0.0), (0.5, 0.6), (-0.5, 0.4))


def two_segments(half_chord, sagitta):
    """Return the area of two segments of a circle on one chord."""
    radius = (half_chord**2 + sagitta**2) / (2 * sagitta)
    angle = 2 * np.arcsin(half_chord / radius)
    return radius**2 * (angle - np.sin(angle))


OUTLINES = [
    (Outline(kind="rectangle", size_mm=(1.4, 0.8)), 1.4 * 0.8),
    (Outline(kind="ellipse", size_mm=(1.4, 0.8)), np.pi * 0.7 * 0.4),
    # The surveyor's formula, by hand.
    (Outline(kind="polygon", points_mm=POLYGON), 0.8225),
    (Outline(kind="blade", size_mm=(1.4, 0.8)), two_segments(0.7, 0.4)),
    # Half the integral of the squared radius, r^2 growth^(t/pi), over one turn.
    (
        Outline(kind="spiral", radius_mm=0.6, growth=1.7),
        0.6**2 * np.pi / 2 / np.log(1.7) * (1.7 - 1 / 1.7),
    ),
]


def scene(*surfaces, **more):
    """Return a scene of these surfaces."""
    return Scene(name="test", field_mm=(3.84, 2.56), depth_mm=(-1, 1), surface=surfaces, **more)


def sheet(**more):
    """Return a sheet."""
    return Sheet(**{"name": "sheet", "texture": NOISE} | more)


def areas(points, faces):
    """Return the vector area of each triangle."""
    a, b, c = (points[faces[:, k]].astype(np.float64) for k in range(3))
    return np.cross(b - a, c - a) / 2


def volume(mesh):
    """Return the volume inside a closed mesh by the divergence theorem."""
    middle = mesh.points_mm[mesh.faces].astype(np.float64).mean(axis=1)
    middle -= mesh.points_mm.mean(axis=0)
    return (middle * areas(mesh.points_mm, mesh.faces)).sum() / 3


def read_ply(path):
    """Read a binary PLY of float vertices and triangles: a reader of our own."""
    header, _, body = path.read_bytes().partition(b"end_header\n")
    text = header.decode("ascii")
    assert "format binary_little_endian 1.0" in text
    vertices, faces = (
        int(re.search(rf"element {what} (\d+)", text).group(1)) for what in ("vertex", "face")
    )
    names = re.findall(r"property float (\w)", text)
    values = np.frombuffer(body, "<f4", vertices * len(names)).reshape(vertices, -1)
    triangle = np.dtype([("n", "u1"), ("corner", "<i4", 3)])
    rest = np.frombuffer(body, triangle, faces, offset=values.nbytes)
    assert (rest["n"] == 3).all()
    assert len(body) == values.nbytes + rest.nbytes
    return names, values, rest["corner"]


@pytest.mark.parametrize(
    ("outline", "area"), OUTLINES, ids=lambda value: getattr(value, "kind", "")
)
def test_outlined_sheets_have_their_area_and_their_edge(outline, area):
    """The triangles of a flat sheet fill its outline, keep to it, and face the camera."""
    part = parts_of(scene(sheet(outline=outline)))[0]
    mesh = part_mesh(part, CAMERA, 0.03)
    vector = areas(mesh.points_mm, mesh.faces)
    np.testing.assert_allclose(-vector[:, 2].sum(), area, rtol=2e-4)
    assert (vector[:, 2] <= 1e-9).all()
    distance = outline_distance(outline, *mesh.points_mm[:, :2].T, 1.0)
    assert distance.min() > -2e-4


def test_a_polygon_is_cut_to_a_window():
    """Only what lies in the wanted area is filled."""
    corners = corners_of(OUTLINES[2][0])
    within = np.array([[-0.3, -0.2], [0.2, 0.3]])
    patches = filling_grids(corners, 0.02, within_mm=within)
    points = np.concatenate([np.stack([u.ravel(), v.ravel()], 1) for u, v in patches])
    np.testing.assert_allclose([points.min(axis=0), points.max(axis=0)], within, atol=1e-9)
    total = sum(
        np.abs(areas(np.stack([u, v, 0 * u], -1).reshape(-1, 3), grid_faces(*u.shape))).sum()
        for u, v in patches
    )
    # All of the window is inside but a notch: the polygon's edge from (0.1, 0) to (0.7, -0.35)
    # leaves the window at (0.2, -0.0583), and the one to (0.5, 0.6) at (0.2, 0.15).
    assert total == pytest.approx(0.25 - 0.1 * (0.0583333 + 0.15) / 2, rel=1e-3)


def test_sheets_without_an_edge_fill_the_picture():
    """Every ray of a turned camera, from anywhere in its pupil, meets the mesh."""
    pose = Pose(x_mm=3.0, pitch_mrad=20, yaw_mrad=-40, roll_mrad=300)
    camera = Camera(RIG, pose)
    far = scene(sheet(centre_mm=(0, 0, 4.0)))
    mesh = scene_mesh(far, camera, pitch_mm=0.2)
    radius = RIG.lens.focal_length_mm / (2 * RIG.lens.f_number)
    for turn in np.linspace(0, 6, 7):
        place = (radius * np.cos(turn), radius * np.sin(turn))
        eye = replace(camera, place_mm=place)
        dx, dy, dz = eye.directions(eye.frame)
        depth = (4.0 - eye.pupil_mm[2]) / dz
        hit = np.stack([eye.pupil_mm[0] + depth * dx, eye.pupil_mm[1] + depth * dy], axis=-1)
        assert (hit > mesh.points_mm[:, :2].min(axis=0)).all()
        assert (hit < mesh.points_mm[:, :2].max(axis=0)).all()


def test_a_fibre_is_a_closed_tube_with_round_ends():
    """Its volume is that of a frustum and two half balls."""
    path = ((0.0, 0.0, 0.0), (0.3, 0.1, -0.5))
    hair = Fibres(kind="fibres", name="hair", radius_um=(60, 30), paths_mm=(path,))
    mesh = part_mesh(parts_of(scene(hair))[0], CAMERA, 0.01)
    length, root, tip = np.linalg.norm(path[1]), 0.06, 0.03
    frustum = np.pi * length / 3 * (root**2 + root * tip + tip**2)
    caps = 2 * np.pi / 3 * (root**3 + tip**3)
    assert volume(mesh) == pytest.approx(frustum + caps, rel=0.01)


def test_a_ball_is_a_closed_sphere_with_its_reflection():
    """Its volume is that of a sphere, and its brightest corner the reflection."""
    drop = Balls(kind="balls", name="drop", at_mm=((0.1, 0.2, -0.3),), radius_mm=(0.2,))
    mesh = part_mesh(parts_of(scene(drop))[0], CAMERA, 0.01)
    assert volume(mesh) == pytest.approx(4 / 3 * np.pi * 0.2**3, rel=0.005)
    assert mesh.colours.max() == pytest.approx(drop.highlight)
    assert mesh.colours.min() >= 0


def test_colours_are_those_of_the_pinhole_view():
    """Corners of a lit relief carry the radiance that the renderer shows there."""
    lit = scene(sheet(relief=Rough(amplitude_mm=0.1, cell_mm=2.0), texture=Flat(colour="#d0a080")))
    mesh = scene_mesh(lit, CAMERA, pitch_mm=CAMERA.distance_mm / CAMERA.focal_px)
    part = parts_of(lit)[0]
    view = part.view(CAMERA, CAMERA.frame)
    row, col, _ = CAMERA.project(mesh.points_mm)
    inside = (row > 3) & (row < 125) & (col > 3) & (col < 189)
    at = np.floor(row[inside]).astype(int), np.floor(col[inside]).astype(int)
    error = mesh.colours[inside] - view.colour[at]
    # The corner lies anywhere in the pixel: the light changes by this much over half a pixel.
    assert np.abs(error).max() < 0.04
    assert np.abs(error).mean() < 0.004
    assert view.colour.std() > 0.02


def test_ply_reads_back(tmp_path):
    """A reader of our own finds what was written, and the units in the header."""
    path = tmp_path / "scene.ply"
    mesh = export_scene(scene(sheet(), backdrop=(0.1, 0.2, 0.3)), path, rig=RIG, pitch_mm=0.1)
    names, values, faces = read_ply(path)
    assert names == list("xyzrgb")
    np.testing.assert_array_equal(values[:, :3], mesh.points_mm)
    np.testing.assert_array_equal(values[:, 3:], mesh.colours)
    np.testing.assert_array_equal(faces, mesh.faces)
    assert b"comment backdrop 0.1 0.2 0.3" in path.read_bytes()


def test_mitsuba_reads_the_ply(tmp_path):
    """Mitsuba's own reader finds the same corners, triangles and colours."""
    mi = pytest.importorskip("mitsuba")
    mi.set_variant("scalar_rgb")
    path = tmp_path / "scene.ply"
    mesh = export_scene(scene(sheet()), path, rig=RIG, pitch_mm=0.1)
    shape = mi.load_dict({"type": "ply", "filename": str(path)})
    assert shape.vertex_count() == len(mesh.points_mm)
    assert shape.face_count() == len(mesh.faces)
    values = mi.traverse(shape)
    np.testing.assert_array_equal(values["vertex_color"], mesh.colours.ravel())
    np.testing.assert_array_equal(values["vertex_positions"], mesh.points_mm.ravel())


def test_obj_reads_back(tmp_path):
    """The text holds the same corners, colours and triangles, which count from 1."""
    path = tmp_path / "scene.obj"
    mesh = export_scene(scene(sheet()), path, rig=RIG, pitch_mm=0.1)
    lines = [line.split() for line in path.read_text(encoding="ascii").splitlines()]
    corners = np.array([line[1:] for line in lines if line[0] == "v"], float)
    faces = np.array([line[1:] for line in lines if line[0] == "f"], int)
    np.testing.assert_allclose(corners[:, :3], mesh.points_mm, rtol=1e-6, atol=1e-7)
    np.testing.assert_allclose(corners[:, 3:], mesh.colours, rtol=1e-5)
    np.testing.assert_array_equal(faces - 1, mesh.faces)


def test_a_crop_needs_less_and_finer():
    """The default mesh follows the picture that is asked for."""
    whole = scene_mesh(scene(sheet()), CAMERA)
    crop = scene_mesh(scene(sheet()), Camera(RIG, crop=(48, 32)))
    ratio = np.ptp(whole.points_mm[:, 0]) / np.ptp(crop.points_mm[:, 0])
    assert ratio == pytest.approx(4, rel=0.02)
    step = np.diff(np.unique(crop.points_mm[:, 0])).max()
    assert step == pytest.approx(CAMERA.distance_mm / CAMERA.focal_px / 3, rel=0.05)


def test_bad_requests_are_refused(tmp_path):
    """Another ending or an impossible pitch is named before anything is written."""
    with pytest.raises(ValueError, match=r"got ending '\.stl', allowed \.ply or \.obj"):
        export_scene(scene(sheet()), tmp_path / "scene.stl", rig=RIG)
    with pytest.raises(ValueError, match="pitch_mm must be > 0, got -1"):
        export_scene(scene(sheet()), tmp_path / "scene.ply", rig=RIG, pitch_mm=-1)
    assert not list(tmp_path.iterdir())


def test_a_sheet_out_of_sight_gives_no_triangles():
    """What no ray of the picture meets is left out."""
    aside = sheet(centre_mm=(50.0, 0, 0), outline=Outline(kind="rectangle", size_mm=(1, 1)))
    assert len(scene_mesh(scene(aside), CAMERA).faces) == 0


def test_living_parts_stand_where_the_subject_is():
    """They move by the subject's displacement, and are gone once it has left; the rest stays."""
    card = Outline(kind="rectangle", size_mm=(1.0, 0.5))
    still, living = sheet(name="still", living=False, outline=card), sheet(outline=card)
    one = scene(still, living)
    swayed = replace(CAMERA, subject=SubjectPose(x_mm=0.3, y_mm=-0.2, z_mm=0.4))
    before, after = (scene_meshes(one, camera) for camera in (CAMERA, swayed))
    middles = [
        [mesh.points_mm.mean(axis=0, dtype=np.float64) for mesh in meshes]
        for meshes in (before, after)
    ]
    moved = np.subtract(middles[1], middles[0])
    np.testing.assert_allclose(moved, [(0, 0, 0), (0.3, -0.2, 0.4)], atol=1e-5)
    gone = replace(CAMERA, subject=SubjectPose(present=False))
    assert len(scene_meshes(one, gone)) == 1


def test_blurred_sheets_are_as_fine_as_asked():
    """A pitch that blur would allow is cut to so many pixels of the picture."""
    far = sheet(outline=Outline(kind="rectangle", size_mm=(1.0, 1.0)), centre_mm=(0, 0, 8.0))
    loose, fine = (
        scene_meshes(scene(far), CAMERA, coarsest_px=px)[0].points_mm for px in (np.inf, 0.5)
    )
    pixel_mm = (CAMERA.distance_mm + 8.0) / CAMERA.focal_px
    assert len(fine) == (int(np.ceil(1.0 / (0.5 * pixel_mm))) + 1) ** 2
    assert len(loose) < len(fine)
