"""The viewer's pictures: the right parts of the right pictures, and no more bytes than allowed."""

import base64
import shutil
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from skimage.color import rgb2lab
from skimage.metrics import peak_signal_noise_ratio

from stacktruth.ground.srgb import clipped_srgb
from stacktruth.runners.bench.grid.cells import Cell, by_stack, cells_of
from stacktruth.runners.bench.report.viewer import draft, fitted
from stacktruth.runners.bench.report.viewer_crops import best_crops, disagreement, hardest
from stacktruth.runners.bench.report.viewer_images import coloured, data_address, pixels_of
from stacktruth.runners.bench.report.viewer_parts import Draft, SceneView
from stacktruth.runners.bench.report.viewer_results import ShownStack, depth_in_mm, shown_stack
from stacktruth.runners.bench.running.store import Store
from stacktruth.runners.bench.running.verify import suite_in
from stacktruth.simulator.shooting.motion import nearest, places_in


def bytes_of(address: str) -> bytes:
    """Return the file behind a ``data:`` address."""
    head, _, data = address.partition(",")
    assert head == "data:image/webp;base64"
    return base64.b64decode(data)


class TestCrops:
    """Where a look is worth it."""

    def test_the_best_crop_is_that_of_all_places(self) -> None:
        """Against the sums of all windows, each worked out for itself."""
        worth = np.random.default_rng(1).random((23, 31)).astype(np.float32)
        sums = np.lib.stride_tricks.sliding_window_view(worth, (7, 9)).sum(axis=(2, 3))
        crop = next(best_crops(worth, size=(7, 9), count=1))
        assert (crop.top, crop.left) == np.unravel_index(np.argmax(sums), sums.shape)
        assert worth[crop.area].shape == (7, 9)

    def test_crops_hardly_overlap(self) -> None:
        """Each shares a quarter of its area or less with any other, also with those taken."""
        worth = np.random.default_rng(2).random((60, 80)).astype(np.float32)
        first = list(best_crops(worth, size=(20, 20), count=3))
        crops = [*first, *best_crops(worth, size=(20, 20), count=3, taken=first)]
        assert len(crops) == 6
        used = [np.zeros(worth.shape, bool) for _ in crops]
        for crop, mask in zip(crops, used, strict=True):
            mask[crop.area] = True
        shared = [(used[i] & used[j]).sum() for i in range(6) for j in range(i)]
        assert max(shared) <= 0.25 * 400

    def test_a_small_picture_is_one_crop(self) -> None:
        """A crop is cut to the picture, and there is no second one; NaN is worth nothing."""
        worth = np.full((10, 12), np.nan, np.float32)
        crops = list(best_crops(worth, size=(144, 192), count=3))
        assert [(c.top, c.left, c.height, c.width) for c in crops] == [(0, 0, 10, 12)]

    def test_disagreement_leaves_out_what_is_not_known(self) -> None:
        """Numpy's own deviation over the known pictures; 0 where one is left."""
        images = list(np.random.default_rng(3).random((3, 4, 5, 3)).astype(np.float32))
        images[2][0, 0] = np.nan
        images[1][0, 0] = images[2][0, 1] = np.nan
        apart = disagreement(images)
        assert apart[0, 0] == 0
        two = np.stack(images[:2])[:, 0, 1].std(axis=0)
        assert apart[0, 1] == pytest.approx(np.sqrt(np.mean(two**2)), rel=1e-5)

    def test_hardest_is_where_the_best_fails_too(self) -> None:
        """Each fails alone in one place, both in a third; nobody is judged in a fourth."""
        first, second = np.zeros((2, 20, 80), np.float32)
        first[:, 10:20] = second[:, 30:40] = first[:, 50:60] = second[:, 50:60] = 0.1
        first[:, 70:] = second[:, 70:] = np.nan
        least = hardest([first, second])
        assert least[10, 15] < 1e-3
        assert least[10, 35] < 1e-3
        assert least[10, 55] == pytest.approx(0.1, rel=1e-3)
        assert np.isnan(least[10, 75])


class TestImages:
    """Bytes of pictures."""

    def test_a_picture_is_stored_without_loss(self) -> None:
        """Another library reads the same bytes back."""
        pixels = np.random.default_rng(4).integers(0, 256, (9, 11, 3)).astype(np.uint8)
        read = imagecodecs.webp_decode(bytes_of(data_address(pixels)))
        np.testing.assert_array_equal(read, pixels)
        lossy = imagecodecs.webp_decode(bytes_of(data_address(pixels, quality=85)))
        assert lossy.shape == pixels.shape
        assert (lossy != pixels).any()

    def test_what_is_not_known_is_grey(self) -> None:
        """What is not known has the same grey in pictures and maps."""
        image = np.array([[[0, 0.5, 1.2]], [[np.nan, 0, 0]]], np.float32)
        assert pixels_of(image).tolist() == [[[0, 128, 255]], [[150, 150, 150]]]
        unknown = coloured(np.array([[np.nan]], np.float32), low=0, high=1, colours="magma")
        assert unknown.tolist() == [[[150, 150, 150]]]

    @pytest.mark.parametrize("colours", ["magma", "viridis_r"])
    def test_colours_rise_evenly(self, colours: str) -> None:
        """Lightness L* (CIE 1976) goes one way in even steps, and grey is not among the colours.

        The maps were made uniform in CAM02-UCS (van der Walt and Smith, 2015), so L* steps differ
        a little; a rainbow's go up and down.
        """
        ramp = np.linspace(2, 6, 50, dtype=np.float32)[None]
        levels = coloured(ramp, low=2, high=6, colours=colours)
        steps = np.diff(rgb2lab(levels)[0, :, 0])
        assert abs(np.sign(steps).sum()) == 49
        assert np.abs(steps).max() < 3 * np.abs(steps).mean()
        assert not (levels == 150).all(axis=2).any()

    def test_what_is_beyond_the_scale_has_the_colour_of_its_end(self) -> None:
        """The colours of the ends."""
        values = np.array([[-9, 0, 1, 9]], np.float32)
        levels = coloured(values, low=0, high=1, colours="magma")[0].tolist()
        assert levels[0] == levels[1] != levels[2] == levels[3]


class TestDepth:
    """Maps mean what their rows say."""

    @pytest.mark.parametrize(
        "used", [(0, 1, 2, 3, 4, 5), (3, 0, 2, 5), (5, 2, 0, 3), (1, 4)], ids=str
    )
    def test_depth_counted_in_frames_becomes_millimetres(self, used: tuple[int, ...]) -> None:
        """As shot; four in order of depth, near or far first; two. Half-way between, too."""
        planes = np.array([-0.3, 0.9, 0.1, -0.8, 1.1, 0.6])
        rng = np.random.default_rng(5)
        depth = rng.uniform(-0.4, len(used) - 0.6, (40, 50)).astype(np.float32)
        depth[3, 4:9] = np.nan
        read_mm = np.interp(depth, np.arange(len(used)), planes[list(used)]).astype(np.float32)
        row = {"depth_unit": "frame", "used": " ".join(map(str, used))}
        got = depth_in_mm(depth, row, planes_mm=planes)
        np.testing.assert_allclose(got, read_mm, atol=1e-6)
        if used == tuple(range(6)):  # all of them need not be named
            got = depth_in_mm(depth, {"depth_unit": "frame"}, planes_mm=planes)
            np.testing.assert_allclose(got, read_mm, atol=1e-6)

    def test_depth_in_millimetres_stays_and_without_a_unit_is_left_out(self) -> None:
        """A map in mm stays as it is; one of which nothing is said is left out."""
        planes = np.linspace(-1, 1, 6)
        depth = np.random.default_rng(8).uniform(-1, 1, (40, 50)).astype(np.float32)
        got = depth_in_mm(depth, {"depth_unit": "mm"}, planes_mm=planes)
        np.testing.assert_array_equal(got, depth)
        assert depth_in_mm(depth, {}, planes_mm=planes) is None


@pytest.fixture(scope="module")
def store(small_bench) -> Store:
    """Return the small benchmark's folder."""
    return Store(small_bench.folder)


@pytest.fixture(scope="module")
def cells(store: Store) -> list[Cell]:
    """Return the cells of its first stack."""
    return list(next(iter(by_stack(cells_of(suite_in(store.path))).values())))


@pytest.fixture(scope="module")
def shown(store: Store, cells: list[Cell]) -> ShownStack:
    """Return its pictures."""
    found = shown_stack(store, cells)
    assert found is not None
    return found


class TestResults:
    """What is kept of a stack."""

    def test_pictures_are_those_that_were_scored(
        self, shown: ShownStack, store: Store, cells: list[Cell]
    ) -> None:
        """scikit-image finds the numbers of the tables in the pictures of the page."""
        rows = {cell.method.name: store.row(cell.key) or {} for cell in cells}
        own_view = [method for method in shown.methods if method.view == shown.view]
        assert [method.name for method in own_view] == ["oracle", "focus-map", "mean"]
        for method in own_view:
            judged = np.isfinite(method.error)
            found = peak_signal_noise_ratio(
                shown.ideal[judged], method.image[judged], data_range=1.0
            )
            assert found == pytest.approx(rows[method.name]["total.psnr_db"], abs=1e-3)
            largest = np.abs(method.image - shown.ideal).max(axis=2)
            np.testing.assert_allclose(method.error[judged], largest[judged], atol=1e-6)

    def test_a_picture_of_another_view_is_moved_to_this_one(
        self, shown: ShownStack, hostile: str
    ) -> None:
        """Moved as the true motion says, the first frame's picture lies on this view's ideal."""
        moved = next(method for method in shown.methods if method.name.startswith(hostile))
        assert moved.view == 0 != shown.view
        plan = shown.spec.shoot
        seen = nearest(plan.scene, plan.camera(shown.view))
        places = places_in(seen, plan.camera(0))
        known = np.isfinite(places[..., 0])
        assert np.isnan(moved.image[~known]).all()
        assert np.isfinite(moved.image[known]).all()
        away = places[known] - np.argwhere(known)
        assert np.abs(away).mean() > 0.5  # else this would tell nothing
        other = clipped_srgb(plan.truth(0).ideal)
        there = np.rint(places[known]).astype(int).clip(0, np.array(other.shape[:2]) - 1)
        nearest_pixel = other[there[:, 0], there[:, 1]]
        aligned = np.abs(nearest_pixel - shown.ideal[known]).mean()
        as_it_was = np.abs(other[known] - shown.ideal[known]).mean()
        assert aligned < 0.6 * as_it_was

    def test_depth_is_read_so_that_its_score_holds(
        self, shown: ShownStack, store: Store, cells: list[Cell]
    ) -> None:
        """The maps of the oracle and the focus map in mm have the error of the tables."""
        rows = {cell.method.name: store.row(cell.key) or {} for cell in cells}
        truth = shown.spec.shoot.truth(shown.view)
        valid = truth.mask("valid")
        for method in shown.methods[:2]:
            assert method.depth_mm is not None
            apart = (method.depth_mm - truth.depth_mm)[valid].astype(float)
            rmse = np.sqrt(np.mean(np.square(apart)))
            assert rmse == pytest.approx(rows[method.name]["depth.depth_rmse_mm"], rel=1e-3)
        assert shown.methods[2].depth_mm is None  # the mean gives none

    def test_missing_pictures_are_told(
        self, shown: ShownStack, store: Store, cells: list[Cell], tmp_path: Path
    ) -> None:
        """A failure with its reason; files that are gone or changed; nothing at all."""
        (name, why), *others = shown.missing
        assert name.endswith(":fail")
        assert why.startswith("failed: ValueError")
        assert not others
        copy = Store(tmp_path / "out")
        shutil.copytree(store.path, copy.path)
        (copy.output(cells[1].key) / "image.tif").unlink()
        changed = copy.output(cells[2].key) / "image.tif"
        changed.write_bytes(changed.read_bytes()[:-1] + b"x")
        again = shown_stack(copy, cells)
        assert again is not None
        assert [name for name, _ in again.missing[:2]] == ["focus-map", "mean"]
        assert all("no longer in the folder" in why for _, why in again.missing[:2])
        shutil.rmtree(copy.path / "outputs")
        assert shown_stack(copy, cells) is None


@pytest.fixture(scope="module")
def cut(shown: ShownStack) -> Draft:
    """Return its crops."""
    return draft(shown)


@pytest.fixture(scope="module")
def scene(cut: Draft) -> SceneView:
    """Return the scene with all its crops."""
    (made,) = fitted([cut], budget_bytes=10_000_000).scenes
    return made


class TestViewer:
    """The whole of it."""

    def test_every_crop_has_the_same_pictures(self, scene: SceneView) -> None:
        """Ideal, capture limit, four methods; then their error maps and the best of all."""
        assert len(scene.crops) == 3
        for crop in scene.crops:
            labels = [figure.label for figure in crop.figures]
            assert labels == [figure.label for figure in scene.crops[0].figures]
            assert labels[:2] == ["ideal", "capture limit"]
            assert len(labels) == 2 + 4 + 1 + 4 + 1
            for figure in crop.figures:
                read = imagecodecs.webp_decode(bytes_of(figure.source))
                assert read.shape == (figure.height, figure.width, 3) == (96, 128, 3)

    def test_crops_are_cut_from_the_pictures(self, scene: SceneView, shown: ShownStack) -> None:
        """The first crop of the oracle, byte for byte, from where its heading says."""
        words = scene.crops[0].heading.split()
        left, top = int(words[-3].rstrip(",")), int(words[-1])
        expected = np.rint(shown.methods[0].image[top : top + 96, left : left + 128] * 255)
        got = imagecodecs.webp_decode(bytes_of(scene.crops[0].figures[2].source))
        np.testing.assert_array_equal(got, expected.clip(0, 255))

    def test_depth_maps_share_their_scale(self, scene: SceneView, shown: ShownStack) -> None:
        """The same depth has the same colour in all maps; the scale has numbers and a unit."""
        assert [figure.label for figure in scene.depths][:3] == [
            "true depth",
            "oracle",
            "focus-map",
        ]
        ticks = scene.depth_scale.ticks
        low, high = float(ticks[0]), float(ticks[-1].removesuffix(" mm"))
        depths = [shown.depth_mm, *(method.depth_mm for method in shown.methods)]
        maps = [imagecodecs.webp_decode(bytes_of(figure.source)) for figure in scene.depths]
        bar = imagecodecs.webp_decode(bytes_of(scene.depth_scale.source))[0].astype(int)
        for depth, levels in zip((d for d in depths if d is not None), maps, strict=True):
            known = np.isfinite(depth)
            share = np.clip((depth[known] - low) / (high - low), 0, 1)
            read = bar[np.rint(share * (len(bar) - 1)).astype(int)]
            # The ends are told to 0.01 mm: a pixel may be one step of the scale off.
            assert np.abs(levels[known].astype(int) - read).max() <= 8

    def test_less_room_makes_loss_then_fewer_crops_then_nothing(self, cut: Draft) -> None:
        """The page says what it left out."""

        def made(budget: int) -> tuple[int, int, str]:
            found = fitted([cut], budget_bytes=budget)
            figures = [
                figure
                for view in found.scenes
                for group in (view.overview, view.depths, *(crop.figures for crop in view.crops))
                for figure in group
            ]
            crops = len(found.scenes[0].crops) if found.scenes else 0
            return sum(len(figure.source) for figure in figures), crops, " ".join(found.notes)

        sizes = [made(10_000_000)]
        assert sizes[0][1] == 3
        assert "stored without loss" in sizes[0][2]
        for crops, told in ((3, "quality 90"), (2, "quality 90"), (1, "quality 90")):
            sizes.append(made(sizes[-1][0] - 1))
            assert sizes[-1][0] < sizes[-2][0]
            assert sizes[-1][1] == crops
            assert told in sizes[-1][2]
        total, crops, told = made(sizes[-1][0] - 1)
        assert (total, crops) == (0, 0)
        assert "no pictures of pickets" in told
