"""Tests of meshes of one's own: files, places, what hides what, edges, light, and errors."""

import shutil
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from skimage.draw import polygon2mask

from stacktruth import render_view, view_depth
from stacktruth.ground.checksum import file_sha256
from stacktruth.ground.pictures import encode_image
from stacktruth.simulator import Pose, load_rig, load_scene
from stacktruth.simulator.compositing.render import render
from stacktruth.simulator.data import DataFileError
from stacktruth.simulator.export.export import scene_meshes
from stacktruth.simulator.own_files import own_files
from stacktruth.simulator.scene.mesh import mesh_file
from stacktruth.simulator.scene.mesh.placed import placed
from stacktruth.simulator.shooting.shoot import shoot
from stacktruth.simulator.stack.manifest import plan_to_data
from stacktruth.simulator.stack.stackio import check_stack, read_stack, write_stack
from stacktruth.simulator.view.camera import Camera
from stacktruth.simulator.view.mesh_pieces import pieces_of
from stacktruth.simulator.view.parts import parts_of
from stacktruth.simulator.view.triangles import hits, nearest, signed_coverage

REFERENCES = Path(__file__).resolve().parents[1] / "references"
sys.path.insert(0, str(REFERENCES))

from make_meshes import knot, write_ply  # noqa: E402

trimesh = pytest.importorskip("trimesh")

#: The test rig sees 3.84 x 2.56 mm.
SCENE = """
field_mm = [3.84, 2.56]
depth_mm = [-1.0, 1.0]
backdrop = [0.0, 0.0, 0.0]
[lighting]
toward = [0.3, -0.4, -0.8]
ambient = 0.3
[[surface]]
kind = "mesh"
name = "it"
file = "{name}"
{more}
"""
FLAT = 'unit = "mm"\ntexture = { kind = "flat", colour = [0.5, 0.5, 0.5] }'
CORNERS = 'unit = "mm"\ntexture = { kind = "corners" }'
#: A sheet, open: two triangles of 1.6 x 1.2 mm in the file's plane z = 0, facing the viewer.
SQUARE = np.array([[-0.8, -0.6, 0.0], [0.8, -0.6, 0.0], [0.8, 0.6, 0.0], [-0.8, 0.6, 0.0]])
TWO = np.array([[0, 1, 2], [0, 2, 3]])


def scene_with(folder, mesh=None, name="mine.ply", more=FLAT):
    """Write a mesh and a scene that names it, and load it."""
    if mesh is not None:
        mesh.export(folder / name)
    path = folder / "scene.toml"
    path.write_text(SCENE.format(name=name, more=more))
    return load_scene(path)


def square(points=SQUARE, faces=TWO):
    """Return an open mesh."""
    return trimesh.Trimesh(points, faces, process=False)


def small_knot(folder, along=90, around=12, normals=True):
    """Write a knot of few faces, and return a scene of it."""
    points, own, faces, colours = knot(along, around)
    write_ply(folder / "knot.ply", points, own if normals else None, faces, colours)
    return scene_with(folder, name="knot.ply", more='size_mm = 2.5\ntexture = { kind = "corners" }')


@pytest.mark.parametrize("name", ["mine.ply", "mine.obj", "mine.glb"])
def test_files_of_all_kinds_lie_alike(tmp_path, name):
    """A wedge whose corners differ: y up and z toward the viewer in the file."""
    points = np.array([[0, 0, 0], [2.0, 0, 0], [0, 1.0, 0], [0, 0, 0.5]])
    faces = [[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]]
    scene = scene_with(tmp_path, square(points, faces), name)
    mesh = placed(scene.surface[0])
    assert mesh.closed
    # Its box, 2 x 1 x 0.5, has its middle at (0, 0, 0).
    corners = {tuple(np.round(p, 6)) for p in mesh.points_mm[mesh.faces].reshape(-1, 3)}
    assert {(-1, 0.5, 0.25), (1, 0.5, 0.25), (-1, -0.5, 0.25), (-1, 0.5, -0.25)} <= corners


def test_size_unit_place_and_turn(tmp_path):
    """An inch is 25.4 mm; a turn about z goes clockwise in the picture, x toward y."""
    mesh = square(SQUARE / 25.4)
    more = 'unit = "inch"\ncentre_mm = [0.1, 0.2, 0.3]\nrotate_deg = [0, 0, 90]\n' + FLAT[12:]
    points = placed(scene_with(tmp_path, mesh, more=more).surface[0]).points_mm
    # The file's lower right corner lies lower right at first, (0.8, 0.6), then (-0.6, 0.8).
    near = np.abs(points - [-0.6 + 0.1, 0.8 + 0.2, 0.3]).sum(axis=1).min()
    assert near < 1e-5
    more = "size_mm = 3.0\nrotate_deg = [-90, 0, 0]\n" + FLAT[12:]
    box = trimesh.creation.box([1.0, 0.4, 0.5])
    turned = placed(scene_with(tmp_path, box, more=more).surface[0]).points_mm
    assert np.ptp(turned, axis=0) == pytest.approx([3.0, 1.5, 1.2])


def test_coverage_is_the_area_of_a_polygon_in_each_pixel():
    """Of a star: its whole area by the shoelace formula, each pixel by scikit-image, finely."""
    turn = np.linspace(0, 2 * np.pi, 14, endpoint=False)[::-1]
    radius = np.where(np.arange(14) % 2, 3.1, 8.3)
    corners = np.stack([10.2 + radius * np.sin(turn), 9.7 + radius * np.cos(turn)], axis=1)
    ends = np.roll(corners, -1, axis=0)
    got = signed_coverage(corners, ends, np.ones(14), shape=(20, 24))
    (y, x), (y1, x1) = corners.T, ends.T
    area = abs((x * y1 - x1 * y).sum()) / 2
    assert got.sum() == pytest.approx(area, rel=1e-12)
    fine = polygon2mask((20 * 32, 24 * 32), corners * 32 - 0.5)
    want = fine.reshape(20, 32, 24, 32).mean(axis=(1, 3))
    # A straight edge through 32 x 32 points: off by at most one row of them, and at two edges.
    assert np.abs(got - want).max() < 2 / 32


def test_edges_outside_a_grid_count_for_what_is_in_it():
    """A rectangle larger than the grid covers all of it; one to its right, nothing."""
    corners = np.array([[-5.0, -7.0], [40, -7], [40, 30], [-5, 30]])
    ends = np.roll(corners, -1, axis=0)
    assert signed_coverage(corners, ends, np.ones(4), shape=(6, 9)) == pytest.approx(1.0)
    aside = (corners + np.array([0, 17]), ends + np.array([0, 17]))
    assert signed_coverage(*aside, np.ones(4), shape=(6, 9)) == pytest.approx(0.0)


def test_hits_tile_a_square_and_have_the_depth_of_its_plane():
    """Each sample is in one of two triangles; 1/depth is even over a plane in perspective."""
    row, col = np.array([0.0, 0, 40, 40]), np.array([0.0, 50, 50, 0])
    inverse = 0.01 + 0.0001 * row + 0.00005 * col
    faces = np.array([[0, 1, 2], [0, 2, 3]])
    found = hits(row[faces], col[faces], 1 / inverse[faces], corner=(0, 0), shape=(60, 60))
    assert np.bincount(found.place).max() == 1
    assert len(found.place) == 40 * 50
    y, x = np.divmod(found.place, 60)
    assert 1 / found.depth == pytest.approx(0.01 + 0.0001 * y + 0.00005 * x, rel=1e-9)
    two = hits(
        np.tile(row[faces], (2, 1)),
        np.tile(col[faces], (2, 1)),
        np.concatenate([1 / inverse[faces] + 5, 1 / inverse[faces]]),
        corner=(0, 0),
        shape=(60, 60),
    )
    front = nearest(two, 3600)
    assert len(front.place) == 2000
    assert front.face.min() == 2


def met_by_rays(mesh, camera, rows, cols):
    """Return the camera depth at which rays first meet any face, by Moeller and Trumbore (1997)."""
    row, col = rows[:, None] + 0.5, cols[:, None] + 0.5
    down, across = camera.rays_at(row, col)
    directions = np.hstack([across, down, np.ones_like(across)]) @ camera.rotation.T
    a, b, c = (mesh.points_mm[mesh.faces[:, k]] for k in range(3))
    one, two, away = b - a, c - a, camera.pupil_mm - a
    found = []
    for way in directions:
        p = np.cross(way, two)
        size = (one * p).sum(axis=1)
        u = (away * p).sum(axis=1) / size
        q = np.cross(away, one)
        v, t = (q @ way) / size, (two * q).sum(axis=1) / size
        there = (u >= 0) & (v >= 0) & (u + v <= 1) & (t > 0)
        found.append(t[there].min() if there.any() else np.nan)
    return np.array(found)


@pytest.mark.parametrize(
    "pose", [Pose(), Pose(x_mm=9, y_mm=-6, z_mm=0.4, yaw_mrad=-90, pitch_mrad=-60, roll_mrad=80)]
)
def test_depth_is_where_rays_first_meet_the_mesh(tmp_path, pose):
    """Also from aside, where what a strand hid before is seen."""
    scene, rig = small_knot(tmp_path), load_rig("test-rig")
    depth = view_depth(scene, rig, pose=pose)
    rng = np.random.default_rng(4)
    rows, cols = rng.integers(8, 120, 150), rng.integers(30, 162, 150)
    camera = Camera(rig, pose)
    origin = -camera.pupil_mm @ camera.rotation[:, 2]
    want = met_by_rays(placed(scene.surface[0]), camera, rows, cols) - origin
    got = depth[rows, cols]
    both = np.isfinite(want) & np.isfinite(got)
    assert both.sum() > 30
    # Pixels on an edge may go either way.
    assert (np.isfinite(want) != np.isfinite(got)).mean() < 0.03
    off = np.abs(got - want)[both]
    assert np.quantile(off, 0.97) < 2e-3
    assert np.ptp(want[both]) > 0.8


def test_no_piece_hides_itself_and_the_order_is_that_of_depth(tmp_path):
    """Along every ray of the nominal eye: each piece once, the nearer the later."""
    mesh = placed(small_knot(tmp_path).surface[0])
    eye = np.array([0.0, 0.0, -100.0])
    pieces = pieces_of(mesh, eye)
    assert 3 <= len(pieces) <= 20
    own = np.full(len(mesh.faces), -1)
    for number, piece in enumerate(pieces):
        own[piece.faces[piece.below_mm == 0]] = number
    assert (own >= 0).all()
    place = (mesh.points_mm - eye)[:, :2] / (mesh.points_mm - eye)[:, 2:]
    x, y = ((place - place.min(axis=0)) * 300 / np.ptp(place)).T
    seen = (mesh.face_normals * (eye - mesh.points_mm[mesh.faces[:, 0]])).sum(axis=1) > 0
    faces = mesh.faces[seen]
    depth = (mesh.points_mm - eye)[:, 2]
    found = hits(y[faces], x[faces], depth[faces], corner=(0, 0), shape=(301, 301))
    order = np.lexsort((found.depth, found.place))
    ray, piece = found.place[order], own[seen][found.face[order]]
    before = piece[:-1][ray[1:] == ray[:-1]] - piece[1:][ray[1:] == ray[:-1]]
    assert len(before) > 1000
    assert (before >= 0).all()
    # A ray just by a rim may meet both of its sides.
    assert (before == 0).mean() < 1e-3


def test_a_square_of_two_triangles_is_a_sheet(tmp_path):
    """The renderer's own rectangle, by other code: in focus, and out of it, oblique too."""
    mesh = scene_with(tmp_path, square(), more="centre_mm = [0.1, 0, 0.4]\n" + FLAT)
    text = SCENE.partition("[[surface]]")[0] + (
        '[[surface]]\nname = "it"\ncentre_mm = [0.1, 0, 0.4]\n'
        'outline = { kind = "rectangle", size_mm = [1.6, 1.2] }\n'
        'texture = { kind = "flat", colour = [0.5, 0.5, 0.5] }\nlit = false\n'
    )
    (tmp_path / "sheet.toml").write_text(text)
    dark = replace(mesh, surface=(replace(mesh.surface[0], lit=False),))
    rig, pose = load_rig("test-rig"), Pose(x_mm=3, yaw_mrad=-30, roll_mrad=100)
    for z_mm in (0.0, 0.4):
        at = replace(pose, z_mm=z_mm)
        ours = render_view(dark, rig, pose=at, quality="fast")
        sheet = render_view(load_scene(tmp_path / "sheet.toml"), rig, pose=at, quality="fast")
        # Corners of a rectangle are the product of two edges there, exact here.
        assert np.abs(ours - sheet).max() < 6e-3
        assert np.sqrt(np.mean(np.square(ours - sheet))) < 3e-4


def test_light_is_lamberts_and_an_open_mesh_has_two_sides(tmp_path):
    """Colour times ambient + (1 - ambient) cos / cos of what faces the camera, by hand."""
    toward = np.array([0.3, -0.4, -0.8]) / np.sqrt(0.89)
    for angle in (20.0, 200.0):
        more = f"rotate_deg = [0, {angle}, 0]\n" + FLAT
        scene = scene_with(tmp_path, square(), more=more)
        turn = np.deg2rad(20.0)
        # The normal (0, 0, -1) turned about y: z toward x.
        normal = np.array([-np.sin(turn), 0, -np.cos(turn)])
        want = 0.5 * (0.3 + 0.7 * max(normal @ toward, 0) / 0.848)
        got = render_view(scene, load_rig("test-rig"), crop=(16, 16), quality="fast")[8, 8, 0]
        assert got == pytest.approx(want, rel=2e-3)


def test_a_closed_mesh_is_seen_from_outside_however_it_is_wound(tmp_path):
    """Inside out it is turned; with a face missing both its sides are shown."""
    box = trimesh.creation.box([1.0, 1.0, 1.0])
    inward = trimesh.Trimesh(box.vertices, box.faces[:, ::-1], process=False)
    mixed = box.faces.copy()
    mixed[3] = mixed[3][::-1]
    for faces in (box.faces, inward.faces, mixed):
        mesh = placed(scene_with(tmp_path, square(box.vertices, faces)).surface[0])
        middle = mesh.points_mm[mesh.faces].mean(axis=1)
        assert mesh.closed
        assert ((middle * mesh.face_normals).sum(axis=1) > 0).all()
    assert not placed(scene_with(tmp_path, square(box.vertices, box.faces[2:])).surface[0]).closed


def test_normals_of_the_file_make_it_smooth(tmp_path):
    """Without them faces are flat: the light jumps between them."""
    steps = []
    for normals in (True, False):
        scene = small_knot(tmp_path, 60, 8, normals=normals)
        mesh = placed(scene.surface[0])
        first = mesh.normals_at(
            np.arange(len(mesh.faces)), np.eye(3)[:, :1].repeat(len(mesh.faces), 1)
        )
        steps.append(np.linalg.norm(first - mesh.face_normals, axis=1).max())
    assert steps[0] > 0.1
    assert steps[1] == 0


def written_uv(folder):
    """Write an OBJ square with UV, and a picture: red to the left, green above."""
    lines = [f"v {x} {y} {z}" for x, y, z in SQUARE]
    lines += ["vt 0 0", "vt 1 0", "vt 1 1", "vt 0 1"]
    lines += ["f 1/1 2/2 3/3", "f 1/1 3/3 4/4"]
    (folder / "mine.obj").write_text("\n".join(lines) + "\n")
    picture = np.zeros((40, 40, 3), np.uint8)
    picture[:, :20, 0] = 255
    picture[:20, :, 1] = 255
    (folder / "skin.png").write_bytes(encode_image(picture, ".png"))


def test_a_picture_goes_around_by_uv(tmp_path):
    """The v of UV counts from the lower edge of the picture, as OBJ says."""
    written_uv(tmp_path)
    more = 'unit = "mm"\nlit = false\ntexture = { kind = "wrapped", file = "skin.png" }'
    scene = scene_with(tmp_path, name="mine.obj", more=more)
    seen = render_view(scene, load_rig("test-rig"), quality="fast", diffraction=False)
    for row, col, colour in ((50, 75, (1, 1, 0)), (50, 115, (0, 1, 0)), (78, 75, (1, 0, 0))):
        assert seen[row, col] == pytest.approx(np.array(colour), abs=0.02)
    assert [Path(file.path).name for file in own_files(scene)] == ["mine.obj", "skin.png"]


def test_tiles_and_crops_are_the_picture(tmp_path, monkeypatch):
    """Within 1e-5, blurred and not; twice the same bytes."""
    scene, rig = small_knot(tmp_path, 60, 8), load_rig("test-rig")
    camera = Camera(rig, Pose(z_mm=0.4))
    whole = render(scene, camera, focus=(camera,), quality="fast")
    assert np.array_equal(whole, render(scene, camera, focus=(camera,), quality="fast"))
    monkeypatch.setattr("stacktruth.simulator.compositing.render.TILE_PX", 80)
    assert np.abs(render(scene, camera, focus=(camera,), quality="fast") - whole).max() < 1e-5
    cut = replace(camera, crop=(96, 64))
    part = render(scene, cut, focus=(cut,), quality="fast")
    assert np.abs(part - whole[32:96, 48:144]).max() < 1e-5


@pytest.mark.parametrize("quality", ["fast", pytest.param("exact", marks=pytest.mark.slow)])
def test_a_device_draws_the_same(tmp_path, quality):
    """By a namespace that has the array API standard alone, as a GPU has: within 1e-5."""
    scene, rig = small_knot(tmp_path, 40, 8), load_rig("test-rig")
    camera = Camera(rig, Pose(z_mm=0.2), crop=(64, 48))
    here = render(scene, camera, focus=(camera,), quality=quality)
    there = render(scene, camera, focus=(camera,), quality=quality, device="array_api_strict")
    assert np.ptp(here) > 0.1
    assert np.abs(there - here).max() < 1e-5


def test_export_has_all_of_it_with_its_light(tmp_path):
    """A square: what it sends out is the same all over, once, turned toward the camera."""
    scene = scene_with(tmp_path, square(), more="rotate_deg = [0, 180, 0]\n" + FLAT)
    (mesh,) = (one for one in scene_meshes(scene, Camera(load_rig("test-rig"))) if len(one.faces))
    seen = render_view(scene, load_rig("test-rig"), crop=(16, 16), quality="fast")[8, 8]
    assert mesh.colours == pytest.approx(np.broadcast_to(seen, mesh.colours.shape), rel=1e-3)
    a, b, c = (mesh.points_mm[mesh.faces[:, k]] for k in range(3))
    across = np.cross(b - a, c - a)
    assert (across[:, 2] < 0).all()
    assert np.linalg.norm(across, axis=1).sum() / 2 == pytest.approx(1.6 * 1.2, rel=1e-5)


def test_a_stack_keeps_its_mesh_and_says_its_checksum(tmp_path):
    """It renders without the scene's folder; another mesh is another plan."""
    home = tmp_path / "home"
    home.mkdir()
    scene = small_knot(home, 40, 8)
    plan = shoot(scene, load_rig("test-rig"), frames=2, crop=(48, 32))
    checksum = file_sha256(home / "knot.ply")
    told = plan_to_data(plan)["scene"]["surface"][0]
    assert (told["file"], told["sha256"]) == ("knot.ply", checksum)
    folder = write_stack(plan, tmp_path / "stack", progress=False)
    shutil.rmtree(home)
    stack = read_stack(folder)
    assert f"pictures/{checksum[:12]}/knot.ply" in stack.manifest.files
    assert check_stack(folder) == []
    assert np.array_equal(stack.shoot.frame(0).image, stack.frames[0])


def test_a_family_may_name_a_mesh_beside_it(tmp_path):
    """The draw is unedited, and says the file as the family does."""
    square().export(tmp_path / "mine.ply")
    text = "[scene]\nfield_mm = [3.84, 2.56]\ndepth_mm = [-1.0, 1.0]\n"
    text += '[[scene.surface]]\nkind = "mesh"\n'
    text += 'name = "it"\nfile = "mine.ply"\nsize_mm = { uniform = [1.0, 2.0] }\n'
    text += 'texture = { kind = "flat", colour = "#808080" }\n'
    (tmp_path / "mine.toml").write_text('title = "mine"\nabout = "one mesh"\n' + text)
    one, other = (load_scene(f"{tmp_path / 'mine.toml'}:{seed}") for seed in (1, 2))
    assert one.surface[0].size_mm != other.surface[0].size_mm
    assert one.surface[0].sha256 == file_sha256(tmp_path / "mine.ply")
    assert not one.drawn.edited


def ply(points, faces, more=""):
    """Return an ASCII PLY file."""
    head = f"ply\nformat ascii 1.0\nelement vertex {len(points)}\nproperty float x\n"
    head += f"property float y\nproperty float z\nelement face {len(faces)}\n"
    head += "property list uchar int vertex_indices\nend_header\n"
    rows = [" ".join(map(str, p)) for p in points] + [" ".join(map(str, [3, *f])) for f in faces]
    return (head + "\n".join(rows) + "\n" + more).encode()


HOLE = np.where(np.arange(12).reshape(4, 3) == 4, np.nan, SQUARE)
WRONG = {
    "absent": (
        None,
        "mine.ply",
        FLAT,
        r"mine\.ply: got 'No such file or directory', allowed the "
        "path of a mesh",
    ),
    "ending": (ply(SQUARE, TWO), "mine.stl", FLAT, r"got ending '\.stl', allowed \.ply, \.obj, "),
    "no mesh": (b"hello", "mine.ply", FLAT, r"mine\.ply: got what cannot be read as PLY"),
    "no GLB": (
        b"glTF" + b"\0" * 40,
        "mine.glb",
        FLAT,
        r"mine\.glb: got what cannot be read as GLB",
    ),
    "glTF without its data": (
        b'{"asset": {"version": "2.0"}, "buffers": [{"uri": "x.bin", "byteLength": 4}]}',
        "mine.gltf",
        FLAT,
        r"mine\.gltf: got .* allowed",
    ),
    "points alone": (ply(SQUARE, []), "mine.ply", FLAT, r"got no triangles, allowed 1 to 2 mill"),
    "NaN": (ply(HOLE, TWO), "mine.ply", FLAT, r"got 1 corners with places that are NaN or inf"),
    "no such corner": (ply(SQUARE, [[0, 1, 9]]), "mine.ply", FLAT, r"got .*, allowed"),
    "no area": (ply(SQUARE, [[0, 1, 1]]), "mine.ply", FLAT, r"got 1 faces, all without area"),
    "no unit": (ply(SQUARE, TWO), "mine.ply", FLAT[12:], r"unit, size_mm: got neither, allowed"),
    "two units": (ply(SQUARE, TWO), "mine.ply", "size_mm = 2\n" + FLAT, r"got both, allowed one"),
    "unknown unit": (
        ply(SQUARE, TWO),
        "mine.ply",
        FLAT.replace('"mm"', '"ell"'),
        r"unit.*'ell'.*'inch'",
    ),
    "a kilometre": (
        ply(SQUARE * 1000, TWO),
        "mine.ply",
        FLAT.replace('"mm"', '"m"'),
        r"allowed up to 1000 mm",
    ),
    "no colours": (ply(SQUARE, TWO), "mine.ply", CORNERS, r"got no colours at its corners"),
    "no UV": (
        ply(SQUARE, TWO),
        "mine.ply",
        'unit = "mm"\ntexture = { kind = "wrapped", file = "skin.png" }',
        r"got no texture coordinates \(UV\), allowed a mesh with them",
    ),
    "no picture beside": (
        ply(SQUARE, TWO),
        "mine.ply",
        'unit = "mm"\ntexture = { kind = "wrapped", file = "no.png" }',
        r"no\.png: got 'No such file or directory', allowed the path of a picture",
    ),
    "no picture within": (
        None,
        "mine.obj",
        'unit = "mm"\ntexture = { kind = "inside" }',
        r"got no picture in it",
    ),
    "ten million": (
        ply(SQUARE, TWO).replace(b"face 2", b"face 10000000"),
        "mine.ply",
        FLAT,
        r"got 10 million faces, allowed 2 million",
    ),
    "another content": (
        ply(SQUARE, TWO),
        "mine.ply",
        FLAT + f'\nsha256 = "{"0" * 64}"',
        r"got a file with SHA-256",
    ),
}


@pytest.mark.parametrize("case", WRONG)
def test_what_is_wrong_is_told_by_scene_key_and_file(tmp_path, case):
    """One sentence: the scene file, the key, the mesh, what was got and what is allowed."""
    data, name, more, match = WRONG[case]
    if name.endswith(".obj") or "skin.png" in more:
        written_uv(tmp_path)
    if data is not None:
        (tmp_path / name).write_bytes(data)
    with pytest.raises(DataFileError, match=match) as told:
        scene_with(tmp_path, name=name, more=more)
    text = str(told.value)
    assert text.startswith(str(tmp_path / "scene.toml"))
    assert "surface.0.mesh" in text
    assert "allowed" in text
    assert "\n" not in text


def test_without_the_extra_the_error_says_what_to_install(tmp_path, monkeypatch):
    """Only a scene with a mesh needs trimesh."""
    square().export(tmp_path / "mine.ply")
    mesh_file.mesh_data.cache_clear()
    monkeypatch.setitem(sys.modules, "trimesh", None)
    with pytest.raises(DataFileError, match=r"pip install 'stacktruth\[mesh\]'"):
        scene_with(tmp_path)


def test_faces_without_area_are_left_out(tmp_path):
    """A real scan has some; the rest is shown."""
    faces = np.concatenate([TWO, [[0, 1, 1], [2, 2, 2]]])
    (tmp_path / "mine.ply").write_bytes(ply(SQUARE, faces))
    mesh = placed(scene_with(tmp_path).surface[0])
    assert np.isfinite(mesh.face_normals).all()
    a, b, c = (mesh.points_mm[mesh.faces[:, k]] for k in range(3))
    assert np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2 == pytest.approx(1.92)


def test_large_faces_that_pass_over_each_other_in_a_ring_are_cut(tmp_path):
    """Three bars, each over the next: no order of the three as they are would do."""
    bars = []
    for k in range(3):
        bar = trimesh.creation.box([3.2, 0.4, 0.25])
        for angle, axis, step in ((16, [0, 1, 0], [0, 0.55, 0]), (120 * k, [0, 0, 1], [0, 0, 0])):
            turn = trimesh.transformations.rotation_matrix(np.deg2rad(angle), axis)
            bar.apply_transform(turn)
            bar.apply_translation(step)
        bars.append(bar)
    scene = scene_with(tmp_path, trimesh.util.concatenate(bars), more="size_mm = 3\n" + FLAT[12:])
    assert len(parts_of(scene)) > 3
    rig = load_rig("test-rig")
    depth = view_depth(scene, rig)
    rows, cols = (axis.ravel() for axis in np.mgrid[10:118:13, 20:172:13])
    camera = Camera(rig)
    mesh = placed(scene.surface[0])
    want = met_by_rays(mesh, camera, rows, cols)
    off = np.abs(depth[rows, cols] - (want - camera.distance_mm))
    off = off[np.isfinite(off)]
    assert len(off) > 20
    assert np.quantile(off, 0.95) < 2e-3
