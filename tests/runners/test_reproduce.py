"""Published comparisons done again: the protocol, the robust findings, the account."""

import csv
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage, stats

from stacktruth.metrics.focus import MEASURES
from stacktruth.metrics.fusion import METRICS as FUSION
from stacktruth.runners.judge.true_stages import StackTruth
from stacktruth.runners.reproduce import REPRODUCTIONS, published, reproduce
from stacktruth.runners.reproduce.blocks import error_shares
from stacktruth.runners.reproduce.depth_quality import depth_of, relative_quality, rmse_mm
from stacktruth.runners.reproduce.field import (
    FLAT_CASES,
    FieldCase,
    field_errors,
    lined_up_frames,
    make_field_sequence,
    shoot_of,
)
from stacktruth.runners.reproduce.fusion_metrics import StackScores
from stacktruth.runners.reproduce.interpolation import noise_rms, predicted_rms
from stacktruth.runners.reproduce.ledger import (
    Claim,
    Exclusion,
    counted,
    told_exclusions,
    write_claims,
    write_exclusions,
)
from stacktruth.runners.reproduce.rank import rank_correlation
from stacktruth.runners.reproduce.sequences import (
    SURFACES,
    TEXTURES,
    add_noise,
    blur_px,
    latin_pairs,
    lower_contrast,
    make_sequence,
    saturate,
    spread,
    surface_mm,
    texture,
    to_8_bits,
)
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.rig import stopped_to
from stacktruth.simulator.shooting.shoot import shoot

SMALL = 128


@pytest.fixture(scope="module", name="sequence")
def one_sequence():
    """Return the wavy surface under brick, which has flat parts."""
    return make_sequence("waves", "brick", size=SMALL)


def errors(sequence, codes, *, window, frames=None):
    """RMSE in mm by operator."""
    pictures = sequence.frames if frames is None else frames
    return {
        code: rmse_mm(depth_of(pictures, sequence.focus_mm, code, window=window), sequence.depth_mm)
        for code in codes
    }


# ------------------------------------------------------------------ the protocol


@pytest.mark.parametrize("name", SURFACES)
def test_surfaces_span_the_depths_of_the_protocol(name):
    """Every surface reaches from 100 to 150 mm."""
    depth = surface_mm(name, 65)
    assert depth.min() == pytest.approx(100.0)
    assert depth.max() == pytest.approx(150.0)


def test_blur_follows_the_thin_lens():
    """Blur f^2 |u - u_f| / (A u (u_f - f)): none in focus; at 100 mm focused on 50, by hand."""
    depth = np.array([100.0, 150.0])
    np.testing.assert_allclose(blur_px(depth, 50.0, widest_px=8.0)[1], 8.0)
    assert blur_px(depth, 100.0, widest_px=8.0)[0] == 0.0
    # Ratio of |u - 50| / u at 100 and at 150 mm: (50 / 100) / (100 / 150) = 3/4.
    assert blur_px(depth, 50.0, widest_px=8.0)[0] == pytest.approx(6.0)


def test_even_blur_is_a_gaussian():
    """With one blur everywhere the scatter is scipy's Gaussian, cut at 2.5 sigma."""
    image = texture("gravel", 64)
    even = spread(image, np.full(image.shape, 2.0))
    expected = ndimage.gaussian_filter(image, 2.0, mode="reflect", radius=5)
    np.testing.assert_allclose(even, expected, atol=1e-6)


@pytest.mark.parametrize("sigma", [0.9, 1.63, 3.1])
def test_blur_between_the_worked_out_widths_has_its_variance(sigma):
    """A point spreads with variance sigma^2 whatever sigma; the cut takes 12 % at most."""
    point = np.zeros((41, 41), dtype=np.float32)
    point[20, 20] = 1.0
    image = spread(point, np.full(point.shape, sigma))
    rows = np.arange(41) - 20.0
    assert image.sum() == pytest.approx(1.0, abs=1e-5)
    variance = np.sum(image * rows[:, None] ** 2)
    assert 0.88 * sigma**2 < variance < 1.01 * sigma**2 + 0.01


def test_scatter_spreads_each_point_by_its_own_blur():
    """Of two points with different blur each keeps its own width: a scatter, not a gather."""
    image = np.zeros((41, 81), dtype=np.float32)
    image[20, 20] = image[20, 60] = 1.0
    sigma = np.full(image.shape, 0.0)
    sigma[20, 60] = 2.0
    result = spread(image, sigma)
    assert result[20, 20] == pytest.approx(1.0, abs=1e-6)
    assert result[20, 60] == pytest.approx(1.0 / (2.0 * math.pi * 4.0), rel=0.05)
    assert result[20, 40:].sum() < 1.0
    assert result[:, 40:].sum() == pytest.approx(1.0, abs=1e-5)


def test_disturbances_are_those_of_the_table():
    """Noise of table 6 as variances: 5.7 to 19 grey levels; contrast and lift by formula."""
    np.testing.assert_allclose(published.NOISE_GREY_LEVELS, [0, 5.7, 10.7, 14.4, 16.7, 19.0])
    grey = np.full((4, 100, 100), 0.5, dtype=np.float32)
    noisy = add_noise(grey, grey_levels=5.7, rng=1)
    # Two parts: one grows with the light, so the variance at half light is 1.5 times one part.
    assert 255.0 * noisy.std() == pytest.approx(5.7 * math.sqrt(1.5), rel=0.02)
    black = add_noise(np.zeros_like(grey), grey_levels=5.7, rng=1)
    assert 255.0 * black.std() == pytest.approx(5.7, rel=0.02)
    assert lower_contrast(np.float32([0.0, 128 / 255, 1.0]), 0.1) == pytest.approx(
        [(128 - 12.8) / 255, 128 / 255, (128 + 12.7) / 255]
    )
    assert saturate(np.float32([0.2, 0.8]), 0.3) == pytest.approx([0.5, 1.0])
    assert to_8_bits(np.float32([-0.1, 0.501, 1.2])) == pytest.approx([0.0, 128 / 255, 1.0])


def test_first_four_sequences_use_every_surface_and_texture_once():
    """Sixteen pairs are all different, and each four has every name."""
    pairs = latin_pairs(16)
    assert len(set(pairs)) == 16
    assert {s for s, _ in pairs[:4]} == set(SURFACES)
    assert {t for _, t in pairs[4:8]} == set(TEXTURES)


def test_sequence_names_are_checked():
    """A wrong surface, texture or size is named."""
    with pytest.raises(ValueError, match="surface must be one of cone, ramp, waves, dome, got 'x'"):
        surface_mm("x", 8)
    with pytest.raises(ValueError, match="texture must be one of gravel, grass, brick, camera"):
        texture("x", 8)
    with pytest.raises(ValueError, match="size must be at most 512 for gravel, got 513"):
        texture("gravel", 513)


# ------------------------------------------------------------- the robust findings


def check_order_without_noise(sequence):
    """(i) WAV1, LAP2 and LAP5 are 1.5 times as good as STA3 and GRA7, window 7."""
    rmse = errors(sequence, ("wav1", "lap2", "lap5", "sta3", "gra7"), window=7)
    assert 1.5 * max(rmse["wav1"], rmse["lap2"], rmse["lap5"]) <= min(rmse["sta3"], rmse["gra7"])


def check_small_windows(sequence):
    """(ii) From 7 to 3 px WAV1 keeps more of its quality than LAP2."""
    wide = errors(sequence, ("wav1", "lap2"), window=7)
    narrow = errors(sequence, ("wav1", "lap2"), window=3)
    assert wide["wav1"] / narrow["wav1"] > wide["lap2"] / narrow["lap2"]


def check_noise(sequence, rng):
    """(iii) STA3 or GRA7 beats LAP2 and LAP5 from 14 grey levels on; up to 1 it is the reverse."""
    codes = ("sta3", "gra7", "lap2", "lap5")
    for level, statistics_win in ((1.0, False), (14.4, True)):
        frames = to_8_bits(add_noise(sequence.frames, grey_levels=level, rng=rng))
        rmse = errors(sequence, codes, window=9, frames=frames)
        statistics = min(rmse["sta3"], rmse["gra7"])
        assert (statistics < min(rmse["lap2"], rmse["lap5"])) == statistics_win, level


def test_robust_findings_hold_on_a_small_sequence(sequence):
    """Order without noise, small windows, and noise, on 128 x 128 pixels of waves under brick."""
    check_order_without_noise(sequence)
    check_small_windows(sequence)
    check_noise(sequence, rng=0)


@pytest.mark.parametrize("contrast", [0.8, 0.45, 0.1])
def test_contrast_in_float_changes_no_scale_free_operator(sequence, contrast):
    """(iv) Depth maps of operators with a scale law and no offset are the same at any contrast."""
    codes = [c for c, m in MEASURES.items() if m.degree and m.offset_free and c != "gra5"]
    frames = lower_contrast(sequence.frames.astype(np.float64), contrast)
    part = (slice(None), slice(0, 40), slice(0, 40))
    for code in codes:
        before = depth_of(sequence.frames.astype(np.float64)[part], sequence.focus_mm, code)
        after = depth_of(frames[part], sequence.focus_mm, code)
        np.testing.assert_allclose(after, before, atol=1e-4, err_msg=code)


@pytest.mark.slow
def test_error_falls_as_the_window_grows_on_a_plane():
    """(v) On a plane, with the noise of a real camera, every wider window does better."""
    sequence = make_sequence("ramp", "grass", size=SMALL)
    frames = to_8_bits(add_noise(sequence.frames, grey_levels=1.0, rng=0))
    for code in ("wav1", "lap2", "sta3", "gra7"):
        rmse = [errors(sequence, [code], window=w, frames=frames)[code] for w in (5, 9, 13, 21)]
        assert rmse == sorted(rmse, reverse=True), code


@pytest.mark.slow
@pytest.mark.parametrize("pair", [("cone", "gravel"), ("ramp", "grass"), ("dome", "camera")])
def test_robust_findings_hold_on_every_texture(pair):
    """The same findings on 256 x 256 pixels of the other surfaces and textures."""
    sequence = make_sequence(*pair)
    check_order_without_noise(sequence)
    check_small_windows(sequence)
    check_noise(sequence, rng=1)


def test_depth_of_a_ramp_is_found():
    """Gaussian peak beats the nearest frame, whose error alone is 6.25 mm / sqrt(12) = 1.8 mm."""
    sequence = make_sequence("ramp", "grass", size=96)
    fine = errors(sequence, ["lap2"], window=9)["lap2"]
    coarse = rmse_mm(
        depth_of(sequence.frames, sequence.focus_mm, "lap2", kind="argmax"), sequence.depth_mm
    )
    assert coarse == pytest.approx(6.25 / math.sqrt(12.0), rel=0.1)
    assert fine < 0.7 * coarse


def test_relative_quality_of_the_worked_example():
    """Errors of 1.8, 2.1 and 2.1 mm give 1, .86, .86 (the paper, from unrounded errors: .83)."""
    quality = relative_quality({"wav1": 1.8, "wav2": 2.1, "wav3": 2.1})
    assert quality == pytest.approx({"wav1": 1.0, "wav2": 0.857, "wav3": 0.857}, abs=1e-3)


# ------------------------------------------------------------- through our own lens


def stepped(scene, size):
    """Return a scene shot through the lens in regular steps, without noise, lined up."""
    case = FieldCase(name=scene, scene=scene, stance="stepped", noise=False)
    return make_field_sequence(case, size=size)


@pytest.fixture(scope="module", name="relief")
def field_relief():
    """Return the coin: relief with flat parts."""
    return stepped("coin", 160)


@pytest.mark.slow
def test_robust_findings_hold_on_our_renderer(relief):
    """Order without noise and small windows, through a diffraction-limited lens."""
    codes = ("wav1", "lap2", "lap5", "sta3", "gra7")
    wide = field_errors(relief, codes, window=7)
    assert 1.5 * max(wide[c] for c in codes[:3]) <= min(wide["sta3"], wide["gra7"])
    narrow = field_errors(relief, codes[:2], window=3)
    assert wide["wav1"] / narrow["wav1"] > wide["lap2"] / narrow["lap2"]


@pytest.mark.slow
def test_wider_windows_do_better_on_a_plane_through_our_renderer():
    """A tilted card with the noise of a real camera: the error falls from 3 to 21 px."""
    clean = stepped("ramp", 128)
    noisy = to_8_bits(add_noise(clean.frames, grey_levels=1.0, rng=0))
    card = replace(clean, frames=noisy)
    for code in ("wav1", "lap2", "sta3", "gra7"):
        rmse = [field_errors(card, [code], window=w)[code] for w in (3, 7, 13, 21)]
        assert rmse == sorted(rmse, reverse=True), code


@pytest.mark.slow
def test_noise_turns_the_order_on_our_renderer(relief):
    """With 14.4 grey levels STA3 or GRA7 beats LAP2 and LAP5; with 1 it is the reverse."""
    for level, statistics_win in ((1.0, False), (14.4, True)):
        noisy = to_8_bits(add_noise(relief.frames, grey_levels=level, rng=0))
        rmse = field_errors(
            replace(relief, frames=noisy), ("sta3", "gra7", "lap2", "lap5"), window=9
        )
        statistics = min(rmse["sta3"], rmse["gra7"])
        assert (statistics < min(rmse["lap2"], rmse["lap5"])) == statistics_win, level


@pytest.mark.slow
def test_contrast_in_float_changes_nothing_on_our_renderer(relief):
    """A tenth of the contrast, not rounded, leaves the depth of scale-free operators as it was."""
    frames = relief.frames.astype(np.float64)
    for code in ("lap2", "wav1", "sta3", "gra7", "mis3"):
        before = depth_of(frames, relief.focus_mm, code)
        after = depth_of(lower_contrast(frames, 0.1), relief.focus_mm, code)
        np.testing.assert_allclose(after, before, atol=1e-5, err_msg=code)


def test_frames_of_a_field_sequence_are_lined_up():
    """Hand-held frames of a flat card fall on each other, sharp or not; as shot they do not."""
    sequence, shooting = (
        make_field_sequence(FLAT_CASES[1], size=96, seed=1),
        shoot_of(FLAT_CASES[1], size=96, seed=1),
    )
    nearest = np.argsort(np.abs(sequence.focus_mm))[:3]
    inner = (slice(16, -16), slice(16, -16))
    sharp = [sequence.frames[n][inner].ravel() for n in nearest]
    raw = [shooting.frame(n).image[..., 1][inner].ravel() for n in (5, 12, 20)]
    assert np.corrcoef(raw).min() < 0.5
    assert np.corrcoef(sharp).min() > 0.9
    assert np.all(np.diff(sequence.focus_mm) > 0.0)


def test_a_frame_that_shows_nothing_of_the_view_is_left_out():
    """In a tiny picture hands carry some frames all the way out of it."""
    scene = load_scene("snail-shell")
    rig = stopped_to(load_rig(scene.rig), 11.0)
    shooting = shoot(scene, rig, stance="kneeling", frames=10, seed=0, crop=(192, 128), bin=4)
    truth = shooting.truth()
    blank = [np.zeros((32, 48, 3), np.uint16)] * len(shooting)
    stack = StackTruth(shooting, truth, blank)
    shown = [np.isfinite(stack.warp(number)).all(axis=2).sum() for number in range(len(shooting))]
    frames, focus_mm = lined_up_frames(stack)
    assert 0 < len(frames) == len(focus_mm) < len(shooting)
    assert len(frames) == sum(count >= 50 for count in shown)


# --------------------------------------------------------------------- the reproductions


def test_published_tables_are_whole():
    """Figure 5 has 36, 33 and 35 readable labels, all of them operators; the maximum is 1."""
    assert [len(t) for t in published.OVERALL.values()] == [36, 33, 35]
    for table in published.OVERALL.values():
        assert set(table) <= set(MEASURES)
        assert max(table.values()) == 1.0
    assert set(published.BY_WINDOW) == set(published.ROBUST)
    assert set(published.MILLISECONDS) <= set(MEASURES)
    assert len(published.MILLISECONDS) == 32


def test_family_means_are_those_of_their_members():
    """The published family means of the window test are the means of the published bars."""
    for family, row in published.FAMILIES["window"].items():
        members = [v for code, v in published.BY_WINDOW.items() if code.startswith(family)]
        np.testing.assert_allclose(np.mean(members, axis=0), row, atol=0.005)


def test_noise_of_the_peak_fit_nears_its_theory():
    """Small noise, samples a width apart: the trials near noise exp(1/2) / sqrt(2)."""
    rng = np.random.default_rng(0)
    theory = predicted_rms(np.array(1.0), 1e-4)
    assert theory == pytest.approx(1.166e-4, rel=1e-3)
    # Offsets between the samples cost a tenth more than the middle does.
    assert noise_rms(1.0, 1e-4, trials=50_000, rng=rng) == pytest.approx(1.1 * theory, rel=0.03)


def test_rank_correlation_tells_like_from_opposite_rankings():
    """1 for the same order, -1 for the reverse, an interval round 0 for chance."""
    rng = np.random.default_rng(0)
    table = {f"operator {n}": float(n) for n in range(20)}
    same = rank_correlation(table, [table, table], rng=rng, resamples=300)
    assert (same.value, same.low, same.count) == pytest.approx((1.0, 1.0, 20))
    reverse = {name: -value for name, value in table.items()}
    assert rank_correlation(table, [reverse], rng=rng, resamples=9).value == pytest.approx(-1.0)
    chance = {name: float(v) for name, v in zip(table, rng.permutation(20), strict=True)}
    found = rank_correlation(table, [chance], rng=rng, leave_out=["operator 3"], resamples=300)
    assert found.low < 0.0 < found.high
    assert found.count == 19


def test_rank_correlation_is_spearman_s_with_its_interval():
    """Against scipy, and against the standard error of Bonett and Wright, Psychometrika 65 (2000).

    For n pairs of rank correlation r, Fisher's z spreads by sqrt((1 + r^2 / 2) / (n - 3)).
    """
    rng = np.random.default_rng(3)
    first = rng.normal(size=400)
    second = np.exp(first + 1.5 * rng.normal(size=400))
    tables = [{str(n): float(v) for n, v in enumerate(values)} for values in (first, second)]
    found = rank_correlation(tables[0], tables[1:], rng=rng)
    assert found.value == pytest.approx(stats.spearmanr(first, second).statistic, abs=1e-12)
    width = np.arctanh(found.high) - np.arctanh(found.low)
    spread = np.sqrt((1 + found.value**2 / 2) / (400 - 3))
    assert width == pytest.approx(2 * 1.96 * spread, rel=0.08)


def test_blocks_of_plain_cases_are_decided_rightly():
    """Without noise sharp blocks of a strong texture are found; noise makes mistakes."""
    shares = error_shares(texture("gravel", 128), rng=np.random.default_rng(0))
    assert shares["modified Laplacian", 32, 0.0] == 0.0
    assert shares["modified Laplacian", 4, 20.0] > 0.1
    assert shares["gradient energy", 8, 5.0] == shares["spatial frequency", 8, 5.0]


COLUMNS = [
    "ledger", "claim", "published", "ours", "strict", "strict rule", "lenient", "lenient rule",
    "why they differ", "source",
]  # fmt: skip


def read_claims(folder):
    """Rows of the table of claims."""
    with (folder / "claims.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def test_peak_interpolation_agrees_throughout(tmp_path):
    """Every bias is met to 1e-4 and every noise within the stated share."""
    assert reproduce("peak-interpolation", out=tmp_path, quick=True, progress=False) == 0
    claims = read_claims(tmp_path)
    assert len(claims) == 60
    assert {claim["strict"] for claim in claims} == {"yes"}
    assert {claim["ledger"] for claim in claims} == {"own"}


@pytest.mark.parametrize(
    "name", ["fusion-blocks", pytest.param("autofocus-curves", marks=pytest.mark.slow)]
)
def test_a_reproduction_leaves_table_figure_and_account(name, tmp_path):
    """Each reproduction writes claims, a figure and a summary with the command that remakes it."""
    assert reproduce(name, out=tmp_path / "new", quick=True, progress=False) == 0
    files = {path.name for path in (tmp_path / "new").iterdir()}
    assert {"claims.csv", "figure.png", "summary.md"} <= files
    claims = read_claims(tmp_path / "new")
    assert list(claims[0]) == COLUMNS
    assert f"stacktruth reproduce {name} --out" in (tmp_path / "new" / "summary.md").read_text()


@pytest.mark.slow
def test_the_comparison_of_operators_runs(tmp_path):
    """The whole comparison of 36 operators, small: every operator has a row and a speed."""
    assert reproduce("sff-operators-2013", out=tmp_path, quick=True, progress=False) == 0
    with (tmp_path / "operators.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["operator"] for row in rows} == set(MEASURES)
    assert all(float(row["our_ms_640x480"]) > 0.0 for row in rows)
    assert read_claims(tmp_path)[0]["lenient"] == "yes"


def test_fusion_metrics_are_held_against_the_truth():
    """Kendall's tau and the share above the best merge, of three methods by hand."""
    truth = {"a": {"psnr_db": 40.0}, "b": {"psnr_db": 30.0}, "c": {"psnr_db": 20.0}}
    free = {
        "a": {"edge_transfer": 0.6, "frequency_error": 0.1},
        "b": {"edge_transfer": 0.7, "frequency_error": -0.2},
        "c": {"edge_transfer": 0.2, "frequency_error": 0.5},
    }
    best = {name: {"edge_transfer": 0.65, "frequency_error": 0.15} for name in truth}
    scores = StackScores("by hand", "none", free, best, truth)
    # Of three pairs one is in the wrong order: (2 - 1) / 3. Nearest to 0 is best: all are right.
    assert scores.tau("edge_transfer", "psnr_db") == pytest.approx(1.0 / 3.0)
    assert scores.tau("frequency_error", "psnr_db") == pytest.approx(1.0)
    assert scores.beaten("edge_transfer") == pytest.approx(1.0 / 3.0)
    assert scores.beaten("frequency_error") == pytest.approx(1.0 / 3.0)


@pytest.mark.slow
def test_the_ranking_of_fusion_metrics_runs(tmp_path):
    """Two small stacks, four methods: a row for every metric, correlations within -1..1."""
    assert reproduce("fusion-metrics", out=tmp_path, quick=True, progress=False) == 0
    with (tmp_path / "taus.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["metric"] for row in rows} == {metric.name for metric in FUSION}
    assert all(-1.0 <= float(row["tau_psnr_db"]) <= 1.0 for row in rows)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["fusion-blocks", "autofocus-curves"])
def test_the_same_seed_gives_the_same_bytes(name, tmp_path):
    """A reproduction run twice with one seed, by one process and by two, writes the same files."""
    for workers in (1, 2):
        folder = tmp_path / str(workers)
        reproduce(name, out=folder, seed=3, quick=True, workers=workers, progress=False)
    found = sorted(path.name for path in (tmp_path / "1").iterdir())
    assert len(found) >= 4
    for file in found:
        assert (tmp_path / "2" / file).read_bytes() == (tmp_path / "1" / file).read_bytes(), file


def claim(name, strict, *, ledger="published", **more):
    """Return a claim."""
    told = {"published": "1", "ours": "1", "strict_rule": "equal", "source": "here"}
    return Claim(claim=name, strict=strict, ledger=ledger, **told, **more)


LENIENT = {"lenient_rule": "about", "why": "it is read off"}


def test_ledgers_are_counted_apart(tmp_path):
    """Published statements by both verdicts, our own by one; what cannot be told counts nowhere."""
    claims = [
        claim("first", True),
        claim("second", False, lenient=True, **LENIENT),
        claim("third", False, lenient=False, **LENIENT),
        claim("fourth", None),
        claim("fifth", True, ledger="own"),
        claim("sixth", False, ledger="own"),
    ]
    assert counted(claims) == (
        "Published statements: of 3, 1 agree strictly and 2 leniently. Not even leniently: third. "
        "Our own findings: 1 of 2 came out. Not: sixth."
    )
    write_claims(tmp_path / "claims.csv", claims)
    rows = read_claims(tmp_path)
    assert [row["strict"] for row in rows] == ["yes", "no", "no", "cannot say", "yes", "no"]
    assert [row["lenient"] for row in rows] == ["yes", "yes", "no", "cannot say", "yes", "no"]
    assert [row["ledger"] for row in rows] == ["published"] * 4 + ["own"] * 2
    assert rows[1]["why they differ"] == "it is read off"
    assert (rows[0]["lenient rule"], rows[1]["lenient rule"]) == ("as strict", "about")


@pytest.mark.parametrize(
    ("strict", "more", "message"),
    [
        (False, {"lenient": True, "lenient_rule": "about"}, "tells why it forgives"),
        (False, {"lenient": True}, "two verdicts need two rules"),
        (True, {"lenient": False, **LENIENT}, "what agrees strictly agrees leniently"),
    ],
)
def test_a_verdict_is_not_bent_in_silence(strict, more, message):
    """A second verdict has its rule and its reason, and forgives rather than asks more."""
    with pytest.raises(ValueError, match=message):
        claim("bent", strict, **more)


def test_what_is_left_out_stands_beside_the_number(tmp_path):
    """With all its reasons, and the number that has it in."""
    one = Exclusion(
        number="order", told="0.9", without="0.6", left_out=("a", "b"), reasons=("odd", "by choice")
    )
    assert told_exclusions([one]) == (
        "order: 0.9; without the exclusion 0.6. Left out: a, b (odd; by choice)."
    )
    write_exclusions(tmp_path / "exclusions.csv", [one])
    with (tmp_path / "exclusions.csv").open(newline="", encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert row["reasons"] == "odd; by choice"
    assert (row["told"], row["without the exclusion"]) == ("0.9", "0.6")


def test_wrong_requests_are_refused(tmp_path):
    """An unknown name or a negative seed writes nothing."""
    with pytest.raises(
        ValueError, match="no reproduction is called 'x'; there are autofocus-curves, depth"
    ):
        reproduce("x", out=tmp_path / "no")
    with pytest.raises(ValueError, match="seed must be >= 0, got -1"):
        reproduce("fusion-blocks", out=tmp_path / "no", seed=-1)
    assert not (tmp_path / "no").exists()
    assert {"sff-operators-2013", "fusion-blocks"} <= set(REPRODUCTIONS)
