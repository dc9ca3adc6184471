"""The truth about a stack: depth, best frame, blur, ideal and achievable picture, regions."""

import importlib

import numpy as np
import pytest
from scipy.ndimage import distance_transform_cdt

from stacktruth.simulator import Pose, load_rig, load_scene, optics, render_view
from stacktruth.simulator.handling.sway import SubjectPose
from stacktruth.simulator.scene.relief.plain import Slope
from stacktruth.simulator.scene.scene import Balls, Fibres, Outline
from stacktruth.simulator.scene.texture.plain import Flat
from stacktruth.simulator.scene.texture.target import Bars, Checker
from stacktruth.simulator.shooting.truth import NEVER_PX, REGIONS, truth_of, with_bits
from stacktruth.simulator.view.camera import Camera

renderer = importlib.import_module("stacktruth.simulator.compositing.render")
PRINT = Checker(colours=((0.9, 0.9, 0.9), (0.1, 0.1, 0.1)), cell_mm=0.09)


def stepped(rig, stops_mm, **subjects):
    """Return the cameras of a stepped pass; subjects are named ``at1=SubjectPose(...)``."""
    return {
        number: Camera(rig, Pose(z_mm=z), subject=subjects.get(f"at{number}", SubjectPose()))
        for number, z in enumerate(stops_mm)
    }


def truth_in(scene, frames, reference=0, **options):
    """Return the truth in the view of one of the frames."""
    return truth_of(scene, frames[reference], frames, reference=reference, **options)


def blur_px(rig, offset_mm):
    """Return the blur radius that the optics give, px of the test rig."""
    return np.asarray(optics.blur_diameter_um(rig, offset_mm)) / 20.0 / 2


@pytest.fixture(scope="module")
def slope(scene, sheet):
    """Make a printed card that comes nearer to the right, 1 mm for 2.5 mm."""
    return scene(sheet(texture=PRINT, relief=Slope(slope_x=0.4)))


# ---- depth and focus --------------------------------------------------------------------------


@pytest.mark.parametrize("z_mm", [0.0, 1.5])
def test_depth_of_a_slope_is_that_of_the_plane(rig, slope, z_mm):
    """Depth is z where the ray through the pixel's centre meets the plane z = -0.4 x."""
    truth = truth_in(slope, stepped(rig, [z_mm]))
    across = (np.arange(192) + 0.5 - 96) / 5000
    # x = t Z with Z from the pupil at z_mm - 100, and z = Z + z_mm - 100 = -0.4 x.
    distance = (100 - z_mm) / (1 + 0.4 * across)
    wanted = distance + z_mm - 100
    assert truth.depth_mm == pytest.approx(np.broadcast_to(wanted, (128, 192)), abs=1e-4)


def test_depth_is_counted_along_the_axis_of_the_reference(rig, scene, sheet):
    """For a turned camera depth is along its own axis, from the origin."""
    camera = Camera(rig, Pose(x_mm=-4.9, yaw_mrad=50))
    truth = truth_of(scene(sheet(centre_mm=(0, 0, 1))), camera, {0: camera}, reference=0)
    across = (np.arange(192) + 0.5 - 96) / 5000
    sin, cos = np.sin(0.05), np.cos(0.05)
    distance = 101 / (cos - across * sin)
    wanted = distance + (-4.9 * sin - 100 * cos)
    assert truth.depth_mm[64] == pytest.approx(wanted, abs=2e-4)


@pytest.mark.parametrize("reference", [0, 2, 4])
def test_the_best_frame_of_a_slope_is_the_analytic_choice(rig, slope, reference):
    """Of a stepped pass, the frame whose blur |z - s| / (1 + (z - s)/d) is least."""
    stops = np.array([-0.7, -0.35, 0.0, 0.35, 0.7])
    truth = truth_in(slope, stepped(rig, stops), reference)
    offsets = truth.depth_mm[..., None].astype(float) - stops
    radius = blur_px(rig, offsets)
    clear = np.ptp(np.sort(radius, axis=-1)[..., :2], axis=-1) > 1e-3  # no tie
    inside = np.zeros_like(clear)
    inside[4:-4, 4:-4] = True  # in the frame of every camera
    wanted = radius.argmin(axis=-1)
    assert clear.mean() > 0.98
    assert (truth.best_frame == wanted)[clear & inside].all()
    assert truth.residual_blur_px[inside] == pytest.approx(radius.min(axis=-1)[inside], abs=2e-3)


def test_frames_without_the_point_do_not_count(rig, scene, sheet):
    """The sharpest frame shows half the wall; the other half takes the next best."""
    frames = {
        0: Camera(rig),
        1: Camera(rig, Pose(x_mm=2.0, z_mm=3.0)),
    }
    truth = truth_in(scene(sheet(centre_mm=(0, 0, 3))), frames)
    assert (truth.best_frame[10:-10, -60:] == 1).all()
    assert (truth.best_frame[:, :60] == 0).all()
    # Within 4 px of that frame's edge, where the blur of what it left out reaches, none is judged.
    edge = 96 + 5000 * (2.0 - 1.92) / 103 - 0.5
    near = np.abs(np.arange(192) - edge) < 4
    assert not truth.mask("valid")[20:-20][:, near].any()
    assert truth.mask("valid")[20:-20][:, ~near][:, :-9].all()
    assert truth.residual_blur_px[64, 10] == pytest.approx(float(blur_px(rig, 3.0)), rel=1e-3)
    assert truth.residual_blur_px[64, -10] == pytest.approx(0.0, abs=1e-3)


def test_an_edge_beyond_which_nothing_is_lost_is_judged(rig, scene, sheet):
    """Where the next frame is as sharp, the edge of the best one leaves no mark."""
    frames = {0: Camera(rig), 1: Camera(rig, Pose(x_mm=2.0, z_mm=0.05))}
    truth = truth_in(scene(sheet(centre_mm=(0, 0, 0.05))), frames)
    assert truth.mask("valid").all()


def test_only_the_frames_given_count(rig, scene, sheet):
    """A reference that is not usable itself gives the view, not the focus."""
    frames = stepped(rig, [0.0, 1.0])
    wall = scene(sheet(texture=PRINT))
    truth = truth_of(wall, frames[0], {1: frames[1]}, reference=0)
    inside = (slice(4, -4),) * 2
    assert (truth.best_frame[inside] == 1).all()
    assert truth.residual_blur_px[inside] == pytest.approx(float(blur_px(rig, -1.0)), abs=1e-2)


def test_nothing_is_true_of_nothing(rig, scene, sheet):
    """Beside the only card there is no depth, no best frame and no region."""
    card = sheet(outline=Outline(kind="rectangle", size_mm=(2, 1)))
    truth = truth_in(scene(card), stepped(rig, [0.0, 1.0]))
    beside = np.ones((128, 192), bool)
    beside[39:89, 46:146] = False
    assert np.isnan(truth.depth_mm[beside]).all()
    assert (truth.best_frame[beside] == -1).all()
    assert np.isinf(truth.residual_blur_px[beside]).all()
    assert not truth.mask("valid")[beside].any()
    assert truth.mask("valid")[~beside].all()


# ---- the two pictures -------------------------------------------------------------------------


def test_with_a_frame_in_focus_everywhere_the_achievable_is_the_ideal(rig, scene, sheet):
    """A flat wall, and among others a frame focused on it: nothing is lost."""
    wall = scene(sheet(texture=PRINT, centre_mm=(0, 0, 0.5)))
    truth = truth_in(wall, stepped(rig, [0.0, 0.5, 2.0]), reference=1)
    assert (truth.achievable == truth.ideal).all()
    other = truth_in(wall, stepped(rig, [0.0, 0.5, 2.0]), reference=0, diffraction=False)
    inside = (slice(8, -8),) * 2  # beyond, the sharp frame, 0.5 mm nearer, shows less
    assert other.achievable[inside] == pytest.approx(other.ideal[inside], abs=1e-4)


def test_the_ideal_is_the_lens_at_its_sharpest(field_rig, scene, sheet):
    """In focus the ideal picture is the ordinary one; diffraction and pixel are in it."""
    wall = scene(sheet(texture=PRINT, centre_mm=(0, 0, 0.3)))
    camera = Camera(field_rig, Pose(z_mm=0.3), crop=(96, 64))
    truth = truth_of(wall, camera, {0: camera}, reference=0)
    ordinary = render_view(wall, field_rig, pose=Pose(z_mm=0.3), crop=(96, 64))
    assert truth.ideal == pytest.approx(ordinary, abs=2e-4)


def test_the_achievable_of_one_frame_is_that_frame(rig, slope):
    """When there is nothing to choose from, the best merge is the frame itself."""
    camera = Camera(rig, Pose(z_mm=0.4))
    truth = truth_of(slope, camera, {3: camera}, reference=3)
    assert (truth.achievable == render_view(slope, rig, pose=Pose(z_mm=0.4))).all()
    assert not np.allclose(truth.achievable, truth.ideal, atol=0.05)


def test_a_dense_pass_loses_nothing_up_to_the_edge(rig, scene, sheet):
    """With frames everywhere the achievable picture is the ideal one, its border too."""
    gentle = scene(sheet(texture=PRINT, relief=Slope(slope_x=0.1)))
    truth = truth_in(gentle, stepped(rig, np.linspace(-0.2, 0.2, 17)), reference=8)
    error = np.square(truth.achievable - truth.ideal).mean(axis=2)
    edge = np.ones(error.shape, bool)
    edge[4:-4, 4:-4] = False
    assert -10 * np.log10(error[~edge].mean()) > 55
    assert -10 * np.log10(error[edge].mean()) > 50


def test_more_frames_bring_the_achievable_nearer_to_the_ideal(rig, slope):
    """Each halving of the step leaves less blur, and so less error."""
    errors = []
    for count in (2, 4, 8):
        frames = stepped(rig, np.linspace(-0.7, 0.7, count))
        truth = truth_in(slope, frames, reference=count // 2)
        errors.append(np.sqrt(np.mean(np.square(truth.achievable - truth.ideal))))
    assert errors[0] > 2 * errors[1] > 4 * errors[2]


# ---- the subject ------------------------------------------------------------------------------


def test_a_living_subject_that_moved_moves_its_truth(rig, scene, sheet):
    """Depth is where the subject was in the reference frame; what does not live stays."""
    bar = sheet("bar", centre_mm=(0, 0, 0), outline=Outline(kind="rectangle", size_mm=(1, 20)))
    made = scene(sheet("wall", centre_mm=(0, 0, 2), living=False), bar)
    frames = stepped(rig, [0.0, 1.0], at1=SubjectPose(x_mm=0.5, z_mm=0.7))
    before, after = (truth_in(made, frames, reference).depth_mm[64] for reference in (0, 1))
    assert before[72:120] == pytest.approx(0.0, abs=1e-4)
    # Seen from 1 mm nearer, the bar is 99.7 mm away and runs from x = 0 to 1 mm.
    assert after[98:145] == pytest.approx(0.7, abs=1e-4)
    assert after[:94] == pytest.approx(2.0, abs=1e-4)
    assert after[150:] == pytest.approx(2.0, abs=1e-4)


def test_the_best_frame_of_a_living_subject_depends_on_where_it_was(rig, scene, sheet):
    """The subject came into the plane of focus of frame 1 by itself; the wall was sharp in 0."""
    bar = sheet("bar", outline=Outline(kind="rectangle", size_mm=(1, 20)))
    made = scene(sheet("wall", centre_mm=(0, 0, 0.001), living=False), bar)
    frames = stepped(rig, [0.0, 1.0, 2.0], at0=SubjectPose(z_mm=0.5), at1=SubjectPose(z_mm=1.0))
    truth = truth_in(made, frames, reference=0)
    assert (truth.best_frame[10:-10, 80:112] == 1).all()
    assert (truth.best_frame[10:-10, 10:60] == 0).all()
    assert truth.residual_blur_px[64, 96] == pytest.approx(0.0, abs=1e-3)
    assert truth.mask("moving")[64, 96]
    assert not truth.mask("moving")[64, 20]


def test_nothing_moves_when_the_subject_is_still(rig, scene, sheet):
    """A living part that stayed where it was is not in the region of moving parts."""
    truth = truth_in(scene(sheet()), stepped(rig, [0.0, 1.0]))
    assert not truth.mask("moving").any()


# ---- regions ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def bar_before_wall(rig, scene, sheet):
    """Give the truth of a bar 2 mm before a printed wall, in focus at 0 (bar) and 2 mm (wall)."""
    bar = sheet("bar", outline=Outline(kind="rectangle", size_mm=(1.0, 20)))
    made = scene(sheet("wall", texture=PRINT, centre_mm=(0, 0, 2)), bar)
    return truth_in(made, stepped(rig, [0.0, 2.0]))


def test_the_occlusion_band_is_as_wide_as_the_blur_of_the_jump(rig, bar_before_wall):
    """About the bar's edges (columns 71 and 121), as far as one side blurs the other."""
    band = bar_before_wall.mask("occlusion-band")[64]
    reach = float(blur_px(rig, 2.0))  # 8.8 px
    columns = np.flatnonzero(band) + 0.5
    away = np.minimum(np.abs(columns - 71), np.abs(columns - 121))
    assert away.max() >= reach - 1
    assert away.max() <= 2 * reach
    near = np.minimum(np.abs(np.arange(192) + 0.5 - 71), np.abs(np.arange(192) + 0.5 - 121))
    assert band[near < reach - 1].all()


def test_distance_to_an_edge_is_in_pixels(bar_before_wall):
    """From the pixels on either side of the edge, whose distance is 0."""
    distance = bar_before_wall.edge_distance_px[64]
    assert distance[[70, 71, 120, 121]] == pytest.approx(0)
    assert distance[40] == pytest.approx(30)
    assert distance[96] == pytest.approx(24)
    assert distance[150] == pytest.approx(29)


def test_a_flat_scene_has_no_edges(rig, slope):
    """Within one part there is no occluding edge, however it slopes."""
    truth = truth_in(slope, stepped(rig, [0.0]))
    assert np.isinf(truth.edge_distance_px).all()
    assert not truth.mask("occlusion-band").any()


def test_textured_and_smooth_share_what_is_valid(bar_before_wall):
    """Print is textured, the plain bar is smooth; bands belong to neither smooth nor nothing."""
    textured, smooth = (bar_before_wall.mask(name) for name in ("textured", "smooth"))
    assert not (textured & smooth).any()
    assert textured[10:-10, 10:50].all()
    assert smooth[10:-10, 93:99].all()
    band = bar_before_wall.mask("occlusion-band")
    assert not (smooth & band).any()
    assert (textured | smooth | band)[bar_before_wall.mask("valid")].all()


def test_highlights_are_where_the_ideal_is_brighter_than_white(rig, scene, sheet):
    """A clear drop's reflection, with two pixels around it, and nothing else."""
    drop = Balls(kind="balls", name="drop", at_mm=((0.2, 0.1, 0),), radius_mm=(0.3,))
    truth = truth_in(scene(sheet(centre_mm=(0, 0, 1)), drop), stepped(rig, [0.0]))
    bright = truth.ideal.max(axis=2) > 1
    region = truth.mask("highlights")
    assert bright.any()
    assert region[bright].all()
    rows, cols = np.nonzero(region)
    far = np.min(np.hypot(*(np.argwhere(bright)[:, None, :] - np.argwhere(region)).T), axis=1)
    assert far.max() <= 2.9
    assert np.ptp(rows) < 20
    assert np.ptp(cols) < 20


def test_fibres_are_where_any_of_a_fibre_is_in_front(rig, scene, sheet):
    """A hair is in the region with its thinnest edge, unless a sheet lies over it."""
    hair = Fibres(
        kind="fibres", name="hair", radius_um=(25, 25), paths_mm=(((-2, 0, 0.5), (2, 0, 0.5)),)
    )
    cover = sheet("cover", centre_mm=(1, 0, -1), outline=Outline(kind="rectangle", size_mm=(1, 1)))
    truth = truth_in(scene(sheet(centre_mm=(0, 0, 1)), hair, cover), stepped(rig, [0.0]))
    fibres = truth.mask("fibres")
    assert fibres[63:65, 5:110].all()
    assert not fibres[:60].any()
    assert not fibres[:, 126:166].any()


def test_never_in_focus_is_where_no_frame_came_near(rig, scene, sheet):
    """A gap in the pass: a best blur radius above 1.5 px."""
    bar = sheet("bar", outline=Outline(kind="rectangle", size_mm=(1.0, 20)))
    made = scene(sheet("wall", centre_mm=(0, 0, 1.0)), bar)
    truth = truth_in(made, stepped(rig, [0.0, 2.0]))
    assert blur_px(rig, 1.0) > NEVER_PX > blur_px(rig, 0.0)
    never = truth.mask("never-in-focus")
    assert never[:, :68].all()
    assert not never[:, 74:118].any()


@pytest.mark.parametrize(("count", "kind"), [(8, np.uint8), (9, np.uint16), (30, np.uint32)])
def test_any_number_of_regions_fits_in_one_image(count, kind):
    """Each comes back from its own bit, in the smallest unsigned type that holds all of them."""
    bits = {f"region {place}": 1 << place for place in range(count)}
    rng = np.random.default_rng(count)
    masks = {name: rng.random((6, 7)) < 0.5 for name in bits}
    image = with_bits(masks, bits)
    assert image.dtype == kind
    for name, mask in masks.items():
        np.testing.assert_array_equal((image & bits[name]) > 0, mask)


def test_regions_are_bits_of_one_image(bar_before_wall):
    """Each name has a bit of its own; an unknown name is an error."""
    assert sorted(REGIONS.values()) == [1 << bit for bit in range(len(REGIONS))]
    seen = np.bitwise_or.reduce(bar_before_wall.regions, axis=None)
    assert seen & REGIONS["occlusion-band"]
    with pytest.raises(KeyError, match="grass"):
        bar_before_wall.mask("grass")


def test_coverage_says_which_pixels_are_mixed(rig, scene, sheet):
    """Along the edge of a bar that ends within a pixel, less than all of it is covered."""
    bar = sheet("bar", outline=Outline(kind="rectangle", size_mm=(1.012, 20)))
    truth = truth_in(scene(sheet(centre_mm=(0, 0, 2)), bar), stepped(rig, [0.0]))
    # 25.3 px to either side of the middle: 0.3 of columns 70 and 121, which show the wall.
    assert truth.coverage[64, 71:121] == pytest.approx(1.0)
    assert truth.depth_mm[64, [70, 121]] == pytest.approx(2.0, abs=1e-4)
    wider = sheet("bar", outline=Outline(kind="rectangle", size_mm=(1.028, 20)))
    truth = truth_in(scene(sheet(centre_mm=(0, 0, 2)), wider), stepped(rig, [0.0]))
    assert truth.coverage[64, [70, 121]] == pytest.approx(0.7, abs=1e-3)
    assert truth.depth_mm[64, [70, 121]] == pytest.approx(0.0, abs=1e-4)


def test_the_truth_does_not_depend_on_tiles(monkeypatch):
    """Depth, best frame and regions are the same when the picture is made of small tiles."""
    scene = load_scene("pickets")
    rig = load_rig(scene.rig)
    frames = {
        number: Camera(rig, Pose(z_mm=z), crop=(1152, 768), bin=4)
        for number, z in enumerate((-1.0, 0.5, 2.0))
    }
    whole = truth_in(scene, frames, reference=1)
    monkeypatch.setattr(renderer, "TILE_PX", 61)
    tiled = truth_in(scene, frames, reference=1)
    assert (tiled.best_frame == whole.best_frame).mean() > 0.999
    assert np.abs(tiled.depth_mm - whole.depth_mm).max() < 1e-3
    assert tiled.edge_distance_px == pytest.approx(whole.edge_distance_px)
    for name in ("valid", "occlusion-band", "fibres", "highlights", "never-in-focus"):
        assert (tiled.mask(name) == whole.mask(name)).mean() > 0.999, name


def test_an_edge_on_the_border_of_two_tiles_is_found(monkeypatch, rig, scene, sheet):
    """Two cards at two depths meet where two tiles do; a third is in one of the tiles alone."""
    cards = [
        sheet(name, centre_mm=centre, outline=Outline(kind="rectangle", size_mm=(1, 1)))
        for name, centre in (
            ("aside", (-1.3, 0, 3)),
            ("left", (-0.5, 0, 2)),
            ("right", (0.5, 0, 0)),
        )
    ]
    monkeypatch.setattr(renderer, "TILE_PX", 96)
    truth = truth_in(scene(*cards), stepped(rig, [0.0]))
    assert truth.edge_distance_px[64, 95:97] == pytest.approx(0)
    assert truth.mask("occlusion-band")[64, 94:98].all()


def test_truth_of_a_lit_colour_is_in_linear_light(rig, scene, sheet):
    """A plain card's ideal picture is its own linear colour."""
    card = sheet(texture=Flat(colour=(0.2, 0.4, 0.8)))
    truth = truth_in(scene(card), stepped(rig, [0.0]))
    assert truth.ideal.reshape(-1, 3) == pytest.approx(
        np.broadcast_to([0.2, 0.4, 0.8], (128 * 192, 3)), abs=1e-5
    )
    bars = sheet(texture=Bars(colours=((1.0, 1.0, 1.0), (0.0, 0.0, 0.0)), pitch_mm=0.08))
    mean = truth_in(scene(bars), stepped(rig, [0.0])).ideal.mean()
    assert mean == pytest.approx(0.5, abs=0.01)


def test_highlights_reach_two_steps_beyond_what_is_brighter_than_white(rig, scene, sheet):
    """Steps along rows and columns, counted by the distance transform of the taxicab."""
    drop = Balls(kind="balls", name="drop", at_mm=((0.2, 0.1, 0),), radius_mm=(0.3,))
    truth = truth_in(scene(sheet(centre_mm=(0, 0, 1)), drop), stepped(rig, [0.0]))
    bright = truth.ideal.max(axis=2) > 1
    steps = distance_transform_cdt(~bright, metric="taxicab")
    assert bright.any()
    np.testing.assert_array_equal(truth.mask("highlights"), steps <= 2)
