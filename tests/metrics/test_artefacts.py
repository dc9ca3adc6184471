"""Every artefact metric answers to its own fault, with its size, and not to the others.

A small scene of known depth is given exactly one fault at a time.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise, permutations, product

import numpy as np
import pytest
from scipy.fft import dctn, idctn
from scipy.ndimage import distance_transform_edt, gaussian_filter, map_coordinates

from stacktruth.metrics.artefacts.artefacts import flicker_stops, smear
from stacktruth.metrics.artefacts.ghost import ghost, see_through
from stacktruth.metrics.artefacts.halo import halo_overshoot, halo_profile, halo_width_px
from stacktruth.metrics.artefacts.invented import invented_detail, invented_map

HEIGHT, WIDTH = 240, 320
CUT_OFF_CY_PX = 0.25
GHOST_SHARE, SEEN_SHARE, HALO_SHARE, FLICKER_STOPS, INVENTED_SHARE = 0.35, 0.4, 0.25, 0.15, 0.16


@dataclass(frozen=True, kw_only=True)
class Scene:
    """A textured bar, which moves, and fibres, before a textured wall."""

    ideal: np.ndarray
    moved: np.ndarray
    behind: np.ndarray
    depth_mm: np.ndarray
    bar: np.ndarray
    fibres: np.ndarray

    @property
    def inside_bar(self) -> np.ndarray:
        """Pixels more than 8 px inside the bar."""
        return distance_transform_edt(self.bar) > 8

    @property
    def around_bar(self) -> np.ndarray:
        """The bar and 24 px about it."""
        return distance_transform_edt(~self.bar) < 24


def texture(seed: int, sigma_px: float = 1.2) -> np.ndarray:
    """Band-limited texture of unit variance."""
    field = gaussian_filter(np.random.default_rng(seed).standard_normal((HEIGHT, WIDTH)), sigma_px)
    return field / field.std()


def make_scene() -> Scene:
    """Compose the scene and its other pose, softened as a lens would."""
    wall = 0.35 + 0.05 * texture(1) + 0.05 * texture(2, 4.0)
    x, y = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
    bar, other_bar = (np.abs(x - 220 - 0.2 * y + shift) < 30 for shift in (24, 17))
    skin = 0.6 + 0.05 * texture(3) + 0.03 * texture(4, 3.0)
    moved_skin = np.roll(skin, 7, axis=1)
    hairs = np.zeros_like(bar)
    for start in range(20, 140, 24):
        hairs |= np.abs(x - start - 12 * np.sin(y / 60)) < 2.5
    hair = 0.55 + 0.1 * texture(5, 1.5)
    with_hairs = np.where(hairs, hair, wall)
    pictures = (np.where(bar, skin, with_hairs), np.where(other_bar, moved_skin, with_hairs))
    ideal, moved, behind = (low_passed(picture) for picture in (*pictures, with_hairs))
    return Scene(
        ideal=ideal,
        moved=moved,
        behind=behind,
        depth_mm=np.where(bar, 0.0, np.where(hairs, 1.0, 2.0)),
        bar=bar,
        fibres=distance_transform_edt(~hairs) < 2,
    )


def low_passed(plane: np.ndarray) -> np.ndarray:
    """Soften a little, and take away all above nine tenths of the cut-off."""
    row = np.arange(HEIGHT)[:, None] / (2 * HEIGHT)
    column = np.arange(WIDTH)[None, :] / (2 * WIDTH)
    soft = dctn(gaussian_filter(plane, 0.8), norm="ortho")
    return idctn(soft * (np.hypot(row, column) < 0.9 * CUT_OFF_CY_PX), norm="ortho")


def with_halo(scene: Scene) -> np.ndarray:
    """Drive the far side of the bar away from it by a quarter of the contrast, fading in 4 px."""
    away = distance_transform_edt(~scene.bar) - 0.5
    contrast = scene.ideal[scene.bar].mean() - gaussian_filter(scene.behind, 6.0)
    fade = np.where(scene.bar, 0.0, np.exp(-np.maximum(away, 0.0) / 4.0))
    return scene.ideal - HALO_SHARE * contrast * fade


def with_ghost(scene: Scene) -> np.ndarray:
    """Mix in the bar as it stood in another frame."""
    return (1 - GHOST_SHARE) * scene.ideal + GHOST_SHARE * scene.moved


def with_see_through(scene: Scene) -> np.ndarray:
    """Mix the wall into the bar, fading towards its edge."""
    depth_in = distance_transform_edt(scene.bar)
    share = SEEN_SHARE * np.clip((depth_in - 4) / 4, 0, 1)
    return (1 - share) * scene.ideal + share * scene.behind


def with_smear(scene: Scene) -> np.ndarray:
    """Blur the fibres along their course over 12 px."""
    x, y = np.meshgrid(np.arange(WIDTH, dtype=float), np.arange(HEIGHT, dtype=float))
    steps = np.arange(-6, 7)
    blurred = np.zeros_like(scene.ideal)
    for step in steps:
        course = 12 * (np.sin((y + step) / 60) - np.sin(y / 60))
        blurred += map_coordinates(scene.ideal, (y + step, x + course), order=3, mode="nearest")
    blurred /= steps.size
    share = gaussian_filter(scene.fibres.astype(float), 1.5)
    return scene.ideal + share * (blurred - scene.ideal)


def with_flicker(scene: Scene) -> np.ndarray:
    """Give patches of 40 px a gain of their own, 0.15 stops RMS in linear light."""
    stops = np.random.default_rng(7).standard_normal((6, 8))
    stops = FLICKER_STOPS * (stops - stops.mean()) / stops.std()
    gain = np.kron(2.0**stops, np.ones((40, 40)))
    light = np.power((scene.ideal + 0.055) / 1.055, 2.4) * gain
    return 1.055 * np.power(light, 1 / 2.4) - 0.055


def with_invented_detail(scene: Scene) -> np.ndarray:
    """Add a fine pattern that no such lens could have passed."""
    fine = np.random.default_rng(8).standard_normal((HEIGHT, WIDTH))
    row = np.arange(HEIGHT)[:, None] / (2 * HEIGHT)
    column = np.arange(WIDTH)[None, :] / (2 * WIDTH)
    radius = np.hypot(row, column)
    ring = (radius > 1.1 * CUT_OFF_CY_PX) & (radius < 1.6 * CUT_OFF_CY_PX)
    pattern = idctn(dctn(fine, norm="ortho") * ring, norm="ortho")
    return scene.ideal + 0.02 * pattern / pattern.std()


FAULTS = {
    "halo": with_halo,
    "ghost": with_ghost,
    "see-through": with_see_through,
    "smear": with_smear,
    "flicker": with_flicker,
    "invented detail": with_invented_detail,
}

# How each metric is asked, and what its own fault must give: the size that was put in.
METRICS: dict[str, tuple[Callable[[np.ndarray, Scene], float], float]] = {
    "halo": (
        lambda result, s: halo_overshoot(
            result, s.ideal, depth_mm=s.depth_mm, min_step_mm=0.5, data_range=1.0, mask=s.around_bar
        ),
        HALO_SHARE,
    ),
    "ghost": (
        lambda result, s: ghost(
            result, s.ideal, others=[s.ideal, s.moved], data_range=1.0, mask=s.around_bar
        ),
        GHOST_SHARE,
    ),
    "see-through": (
        lambda result, s: see_through(
            result, s.ideal, behind=s.behind, data_range=1.0, mask=s.inside_bar
        ),
        SEEN_SHARE,
    ),
    "smear": (lambda result, s: smear(result, s.ideal, data_range=1.0, mask=s.fibres), 1.0),
    "flicker": (lambda result, s: flicker_stops(result, s.ideal, data_range=1.0), FLICKER_STOPS),
    "invented detail": (
        lambda result, s: invented_detail(result, s.ideal, data_range=1.0),
        INVENTED_SHARE,
    ),
}
OTHER_CHANGES = {
    "blur": lambda scene: gaussian_filter(scene.ideal, 1.5),
    "blur of one half": lambda scene: np.where(
        np.arange(WIDTH) < WIDTH // 2, gaussian_filter(scene.ideal, 1.5), scene.ideal
    ),
    "gain": lambda scene: 1.1 * scene.ideal,
    "shading": lambda scene: scene.ideal * np.linspace(0.9, 1.1, WIDTH),
    "noise": lambda scene: (
        scene.ideal + 0.01 * np.random.default_rng(9).standard_normal(scene.ideal.shape)
    ),
}


@pytest.fixture(scope="module")
def scene() -> Scene:
    """Make the scene once."""
    return make_scene()


@pytest.mark.parametrize("name", METRICS)
def test_own_fault_is_measured_at_its_size(scene: Scene, name: str) -> None:
    """Within a tenth of what was put in."""
    metric, size = METRICS[name]
    assert metric(FAULTS[name](scene), scene) == pytest.approx(size, rel=0.1)


@pytest.mark.parametrize("name", METRICS)
def test_no_fault_is_none(scene: Scene, name: str) -> None:
    """The ideal itself scores 0 everywhere."""
    assert METRICS[name][0](scene.ideal, scene) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(("name", "fault"), list(permutations(FAULTS, 2)))
def test_other_faults_are_not_mistaken_for_it(scene: Scene, name: str, fault: str) -> None:
    """Another fault, visible as it is, gives less than a fifth of what its own gives."""
    metric, size = METRICS[name]
    assert metric(FAULTS[fault](scene), scene) < 0.2 * size


@pytest.mark.parametrize(
    ("name", "change"),
    # Noise is energy above the cut-off: a test of its own gives its level.
    [pair for pair in product(METRICS, OTHER_CHANGES) if pair != ("invented detail", "noise")],
)
def test_plain_changes_are_no_artefact(scene: Scene, name: str, change: str) -> None:
    """Blur, exposure, shading and noise give less than a tenth of what the fault gives."""
    metric, size = METRICS[name]
    assert metric(OTHER_CHANGES[change](scene), scene) < 0.1 * size


@pytest.mark.parametrize("name", METRICS)
def test_half_the_fault_is_half_the_score(scene: Scene, name: str) -> None:
    """The scores are shares: they follow the size of the fault."""
    metric, _ = METRICS[name]
    whole = FAULTS[name](scene)
    half = 0.5 * (whole + scene.ideal)
    assert metric(half, scene) == pytest.approx(0.5 * metric(whole, scene), rel=0.15)


def test_known_noise_is_no_invented_detail(scene: Scene) -> None:
    """White noise in linear light of a known level is left out but for its own scatter."""
    light = np.power((scene.ideal + 0.055) / 1.055, 2.4)
    noisy = light + 0.002 * np.random.default_rng(10).standard_normal(light.shape)
    result = 1.055 * np.power(noisy, 1 / 2.4) - 0.055
    raw = invented_detail(result, scene.ideal, data_range=1.0)
    assert raw == pytest.approx(0.002 / light.std(), rel=0.02)
    for noise_rms in (0.002, np.full(light.shape, 0.002)):
        left = invented_detail(result, scene.ideal, noise_rms=noise_rms, data_range=1.0)
        assert left < 0.1 * raw


def test_what_has_a_score_of_its_own_is_not_invented(scene: Scene) -> None:
    """A ghost is other detail; named as foreign, a quarter of it is left.

    It was mixed in encoded values, which is no share of light.
    """
    ghostly = with_ghost(scene)
    raw = invented_detail(ghostly, scene.ideal, data_range=1.0)
    left = invented_detail(ghostly, scene.ideal, foreign=[scene.moved], data_range=1.0)
    assert left < 0.25 * raw
    with pytest.raises(ValueError, match=r"result \(240, 320\), foreign\[0\] \(239, 320\)"):
        invented_detail(ghostly, scene.ideal, foreign=[scene.moved[1:]], data_range=1.0)


@pytest.mark.parametrize("name", METRICS)
def test_dose_and_response(scene: Scene, name: str) -> None:
    """None for none, and more for more: an eighth of the fault up to all of it."""
    metric, _ = METRICS[name]
    whole = FAULTS[name](scene)
    doses = (0.0, 0.125, 0.25, 0.5, 0.75, 1.0)
    found = [metric(scene.ideal + dose * (whole - scene.ideal), scene) for dose in doses]
    assert found[0] == pytest.approx(0.0, abs=1e-6)
    assert all(less < more for less, more in pairwise(found)), found


@pytest.mark.parametrize("period_px", [2.0, 2.5, 3.0, 4.0])
def test_detail_is_invented_up_to_the_pixels_own_limit(scene: Scene, period_px: float) -> None:
    """A pattern counts with the share that the band passes, 1 - exp(-2 (pi f sigma)^2), sigma 1.

    The transform of a Gaussian, e.g. Bracewell 1965; two pixels a period are the pixels' limit. The
    scene holds nothing above a quarter of a cycle per pixel, but is not asked where it ends.
    """
    light = np.power((scene.ideal + 0.055) / 1.055, 2.4)
    x = np.arange(WIDTH)
    pattern = 0.004 * math.sqrt(2) * np.cos(2 * math.pi * x / period_px + math.pi / 4)
    result = 1.055 * np.power(light + pattern, 1 / 2.4) - 0.055
    share = 1 - math.exp(-2 * (math.pi / period_px) ** 2)
    white = math.sqrt(1 - 1 / math.pi + 1 / (4 * math.pi))
    expected = 0.004 * share / white / light.std()
    assert invented_detail(result, scene.ideal, data_range=1.0) == pytest.approx(expected, rel=0.04)


def test_the_map_shows_where_detail_was_invented(scene: Scene) -> None:
    """In the left half alone, with the size that was put in; NaN where nothing was asked."""
    noise = 0.02 * np.random.default_rng(12).standard_normal(scene.ideal.shape)
    noise[:, WIDTH // 2 :] = 0.0
    asked = np.zeros(scene.ideal.shape, dtype=bool)
    asked[:120] = True
    found = invented_map(scene.ideal + noise, scene.ideal, data_range=1.0, mask=asked)
    light, noisy = (np.power((p + 0.055) / 1.055, 2.4) for p in (scene.ideal, scene.ideal + noise))
    size = float(np.std((noisy - light)[:120, : WIDTH // 2]))
    assert np.sqrt(np.mean(np.square(found[:120, :144]))) == pytest.approx(size, rel=0.05)
    assert found[:120, 180:].max() < 0.02 * size
    assert np.isnan(found[132:]).all()


def test_noise_is_no_ghost(scene: Scene) -> None:
    """What chance explains is not counted, however strong the noise."""
    noise = 0.05 * np.random.default_rng(11).standard_normal(scene.ideal.shape)
    options = {"data_range": 1.0, "mask": scene.around_bar}
    got = ghost(scene.ideal + noise, scene.ideal, others=[scene.moved, scene.behind], **options)
    assert got < 0.01


def test_halo_profile_is_the_fault_put_in(scene: Scene) -> None:
    """Nothing on the near side, a quarter of the contrast fading over 4 px on the far side."""
    profile = halo_profile(
        with_halo(scene), scene.ideal, depth_mm=scene.depth_mm, min_step_mm=0.5, data_range=1.0,
        mask=scene.around_bar,
    )  # fmt: skip
    far = (profile.distance_px > 0) & (profile.distance_px < 12)
    expected = HALO_SHARE * np.exp(-(profile.distance_px[far] - 0.5) / 4)
    np.testing.assert_allclose(profile.exaggeration[far], expected, atol=0.02)
    np.testing.assert_allclose(profile.exaggeration[profile.distance_px < 0], 0.0, atol=0.01)
    assert profile.width_px == 3  # exp(-d / 4) is above one half for d < 2.8


def test_a_dark_object_has_a_bright_halo(scene: Scene) -> None:
    """The negative of the scene has the same overshoot: the sign follows the contrast."""
    options = {"depth_mm": scene.depth_mm, "min_step_mm": 0.5, "data_range": 1.0}
    got = halo_overshoot(1 - with_halo(scene), 1 - scene.ideal, mask=scene.around_bar, **options)
    assert got == pytest.approx(HALO_SHARE, rel=0.1)


def test_blur_across_the_edge_is_haze_not_overshoot(scene: Scene) -> None:
    """Each side takes on some of the other's colour."""
    profile = halo_profile(
        gaussian_filter(scene.ideal, 3.0), scene.ideal, depth_mm=scene.depth_mm, min_step_mm=0.5,
        data_range=1.0, mask=scene.around_bar,
    )  # fmt: skip
    assert profile.haze > 0.2
    assert profile.overshoot < 0.03


def test_where_there_is_nothing_to_see_the_score_is_nan(scene: Scene) -> None:
    """No edge, no other pose, no texture behind, no fibre, no light, no contrast."""
    flat = np.full_like(scene.ideal, 0.5)
    black = np.zeros_like(flat)
    options = {"depth_mm": flat, "min_step_mm": 0.5, "data_range": 1.0}
    assert math.isnan(halo_overshoot(scene.ideal, scene.ideal, **options))
    assert math.isnan(halo_width_px(scene.ideal, scene.ideal, **options))
    assert math.isnan(ghost(scene.ideal, scene.ideal, others=[scene.ideal], data_range=1.0))
    assert math.isnan(ghost(scene.ideal, scene.ideal, others=[], data_range=1.0))
    assert math.isnan(see_through(scene.ideal, scene.ideal, behind=flat, data_range=1.0))
    assert math.isnan(smear(flat, flat, data_range=1.0))
    assert math.isnan(flicker_stops(black, black, data_range=1.0))
    assert math.isnan(invented_detail(flat, flat, data_range=1.0))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda i: halo_overshoot(i, i, depth_mm=i, min_step_mm=0.0, data_range=1.0),
            "min_step_mm must be positive, got 0.0",
        ),
        (
            lambda i: halo_overshoot(i, i, depth_mm=i[1:], min_step_mm=1.0, data_range=1.0),
            r"shapes must be equal, got depth_mm \(239, 320\)",
        ),
        (
            lambda i: halo_profile(i, i, depth_mm=i, min_step_mm=1.0, data_range=1.0, reach_px=0),
            "reach_px must be at least 1, got 0",
        ),
        (
            lambda i: ghost(i, i, others=[i, i[1:]], data_range=1.0),
            r"shapes must be equal, got result \(240, 320\), others\[1\] \(239, 320\)",
        ),
        (
            lambda i: invented_detail(i, i, data_range=1.0, noise_rms=-1.0),
            "noise_rms must be >= 0 and finite, got -1.0",
        ),
    ],
)
def test_bad_input_is_named(
    scene: Scene, call: Callable[[np.ndarray], float], message: str
) -> None:
    """What is wrong and what was got."""
    with pytest.raises(ValueError, match=message):
        call(scene.ideal)


def test_no_more_than_a_whole_pose_is_mixed_in(scene: Scene) -> None:
    """Driven twice as far as the other pose, the result still holds all of it, and not double."""
    twice = scene.ideal + 2.0 * (scene.moved - scene.ideal)
    options = {"others": [scene.moved], "data_range": 1.0, "mask": scene.around_bar}
    assert ghost(scene.moved, scene.ideal, **options) == pytest.approx(1.0, abs=0.01)
    assert ghost(twice, scene.ideal, **options) == pytest.approx(1.0, abs=1e-9)
