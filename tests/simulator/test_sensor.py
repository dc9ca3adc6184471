"""Light to code values: the linear camera model of EMVA 1288, the sRGB curve, the mosaic."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy import stats

from stacktruth.ground.srgb import decode_srgb, encode_srgb
from stacktruth.simulator.rig import load_rig
from stacktruth.simulator.shooting.sensor import (
    develop,
    expose,
    fill_mosaic,
    gain_dn_per_e,
    mosaic,
    quantise,
    saturation_e,
    to_linear,
)

RIG = load_rig("field-2x")
SENSOR = RIG.sensor
PLAIN = replace(RIG, sensor=replace(SENSOR, prnu=0.0, dsnu_e=0.0))

# Electrons of the flat fields: dark, few (Poisson draws), about the change to normal draws, many.
LEVELS_E = (0.0, 15.0, 60.0, 95.0, 105.0, 400.0, 5_000.0, 30_000.0)


def flat(electrons, *, size=256, sensor=SENSOR):
    """Return a uniform image that gives so many mean electrons."""
    return np.full((size, size, 3), electrons / sensor.full_well_e, dtype=np.float32)


def z_limit(checks, *, false_alarm=1e-4):
    """Return the two-sided normal limit whose false alarms over all checks are so rare (Sidak)."""
    return stats.norm.isf((1 - (1 - false_alarm) ** (1 / checks)) / 2)


def expected_dn(electrons, *, sensor=SENSOR):
    """Return mean and variance by the linear camera model of EMVA 1288."""
    gain = gain_dn_per_e(sensor)
    mean = sensor.black_level_dn + gain * electrons
    return mean, gain**2 * (sensor.read_noise_e**2 + electrons) + 1 / 12


def z_scores(numbers, electrons):
    """Return z of sample mean and of sample variance against the linear camera model."""
    mean, variance = expected_dn(electrons)
    count = numbers.size
    excess = 1 / max(electrons, 1.0)  # excess kurtosis of a Poisson number, an upper bound here
    z_mean = (numbers.mean() - mean) / np.sqrt(variance / count)
    z_variance = (numbers.var(ddof=1) / variance - 1) / np.sqrt((2 + excess) / count)
    return z_mean, z_variance


@pytest.mark.parametrize("electrons", LEVELS_E)
def test_mean_and_variance_follow_the_linear_camera_model(electrons):
    """Flat fields keep the mean and the variance of EMVA 1288 within sampling error."""
    numbers = expose(flat(electrons), PLAIN, rng=1288).astype(float)
    z_mean, z_variance = z_scores(numbers, electrons)
    limit = z_limit(2 * len(LEVELS_E))
    assert abs(z_mean) < limit
    assert abs(z_variance) < limit


def test_the_variance_check_sees_half_the_variance():
    """Noise pulled in to half its variance passes the mean check and fails the variance check."""
    numbers = expose(flat(400.0), PLAIN, rng=1288).astype(float)
    mean = expected_dn(400.0)[0]
    z_mean, z_variance = z_scores(mean + (numbers - mean) / np.sqrt(2), 400.0)
    limit = z_limit(2 * len(LEVELS_E))
    assert abs(z_mean) < limit
    assert abs(z_variance) > 10 * limit


def test_photon_transfer_recovers_gain_and_read_noise():
    """Pairs of flat fields give back K within 1 % and the read noise within 5 % (EMVA 1288)."""
    levels = np.linspace(0, 0.7, 12) * SENSOR.full_well_e
    means, variances = [], []
    for k, electrons in enumerate(levels):
        pair = [expose(flat(electrons), RIG, rng=100 * k + j).astype(float) for j in (0, 1)]
        means.append((pair[0].mean() + pair[1].mean()) / 2)
        variances.append((pair[0] - pair[1]).var() / 2)
    signal, shot = np.array(means) - means[0], np.array(variances) - variances[0]
    gain = (signal @ shot) / (signal @ signal)
    read_e = np.sqrt(variances[0] - 1 / 12) / gain
    # The fixed pattern is the same in both frames of a pair, so the difference is free of it.
    assert gain == pytest.approx(gain_dn_per_e(SENSOR), rel=0.01)
    assert read_e == pytest.approx(SENSOR.read_noise_e, rel=0.05)


def test_fixed_pattern_has_its_size_and_stays():
    """PRNU and DSNU have their sizes and are the same in every frame of one camera."""
    rig = replace(RIG, sensor=replace(SENSOR, prnu=0.02, dsnu_e=4.0, read_noise_e=0.5))
    bright = [to_linear(expose(flat(20_000.0), rig, rng=k), rig) for k in (1, 2)]
    shared = np.cov(bright[0].ravel(), bright[1].ravel())[0, 1]
    expected = (0.02 * 20_000) ** 2 + 4.0**2
    assert shared * SENSOR.full_well_e**2 == pytest.approx(expected, rel=0.02)
    dark = [to_linear(expose(flat(0.0), rig, rng=k), rig) for k in (1, 2)]
    shared = np.cov(dark[0].ravel(), dark[1].ravel())[0, 1]
    assert shared * SENSOR.full_well_e**2 == pytest.approx(4.0**2, rel=0.03)


def test_another_camera_has_another_fixed_pattern():
    """The fixed pattern of another camera body is unrelated."""
    rig = replace(RIG, sensor=replace(SENSOR, prnu=0.05))
    one, other = (expose(flat(20_000.0), rig, rng=k, camera=k).ravel() for k in (1, 2))
    assert abs(np.corrcoef(one, other)[0, 1]) < z_limit(1) / np.sqrt(one.size)


def test_iso_trades_electrons_for_gain():
    """ISO 400 saturates at a quarter of the electrons and has four times the shot variance."""
    assert saturation_e(SENSOR, iso=400) == pytest.approx(SENSOR.full_well_e / 4)
    image = np.full((512, 512, 3), 0.4, dtype=np.float32)
    base, fast = (to_linear(expose(image, PLAIN, iso=iso, rng=3), PLAIN) for iso in (100, 400))
    assert fast.mean() == pytest.approx(base.mean(), rel=1e-3)
    assert fast.var() / base.var() == pytest.approx(4, rel=0.02)


def test_light_above_saturation_is_white():
    """Light far above saturation gives the highest code value and no wrap-around."""
    image = np.full((8, 8, 3), 500.0, dtype=np.float32)
    frame = develop(expose(image, PLAIN, rng=0), PLAIN)
    assert np.all(frame == 65535)


def test_without_noise_only_the_converter_rounds():
    """Noise off returns the light within half a converter step, the same for every rng."""
    image = np.linspace(0, 1, 3 * 300, dtype=np.float32).reshape(10, 30, 3)
    numbers = expose(image, RIG, noise=False)
    half_step = 0.5 / (2**SENSOR.bits - 1 - SENSOR.black_level_dn)
    assert np.abs(to_linear(numbers, RIG) - image).max() <= half_step * 1.001
    np.testing.assert_array_equal(numbers, expose(image, RIG, noise=False, rng=5))


@pytest.mark.parametrize("bits", [8, 16])
def test_developing_is_encoding_then_rounding(bits):
    """The code table gives what encoding and rounding each value gives."""
    numbers = np.arange(3 * 5000, dtype=np.uint16).reshape(50, 100, 3)
    expected = quantise(encode_srgb(to_linear(numbers, RIG)), bits=bits)
    np.testing.assert_allclose(develop(numbers, RIG, bits=bits).astype(int), expected, atol=1)


def test_linear_frames_are_not_encoded():
    """A linear frame keeps half the light at half the code values."""
    image = np.full((4, 4, 3), 0.5, dtype=np.float32)
    frame = develop(expose(image, RIG, noise=False), RIG, encoding="linear")
    assert np.abs(frame / 65535 - 0.5).max() < 1e-4


def test_same_seed_same_frame():
    """A frame is made again from its seed, and another seed gives another."""
    image = np.random.default_rng(2).random((300, 20, 3), dtype=np.float32)
    one, again, other = (expose(image, RIG, rng=seed) for seed in (7, 7, 8))
    np.testing.assert_array_equal(one, again)
    assert np.mean(one != other) > 0.8


def test_srgb_there_and_back():
    """Decoding undoes encoding over the whole range, also in 16-bit codes."""
    light = np.linspace(0, 1, 4001)
    codes = quantise(encode_srgb(light))
    np.testing.assert_allclose(decode_srgb(codes / 65535), light, atol=2e-5)


def test_quantise_rounds_and_clips():
    """Values are rounded to the nearest code and cut at both ends."""
    values = [-0.2, 0.0, 0.4999 / 255, 0.5001 / 255, 1.0, 7.0]
    np.testing.assert_array_equal(quantise(values, bits=8), [0, 0, 0, 1, 255, 255])


def test_mosaic_of_a_colour_ramp_is_filled_exactly():
    """Bilinear filling gives a linear ramp back exactly away from the rim, and a flat colour."""
    rows, columns = np.mgrid[0:20, 0:30]
    planes = [0.2 + 0.01 * rows, 0.1 + 0.02 * columns, 0.6 - 0.005 * (rows + columns)]
    image = np.stack(planes, axis=-1).astype(np.float32)
    np.testing.assert_allclose(fill_mosaic(mosaic(image))[2:-2, 2:-2], image[2:-2, 2:-2], atol=1e-6)
    flat_colour = np.broadcast_to(np.float32([0.1, 0.5, 0.9]), (7, 9, 3))
    np.testing.assert_allclose(fill_mosaic(mosaic(flat_colour)), flat_colour, atol=1e-6)


def test_filled_mosaic_agrees_with_opencv():
    """Bilinear filling of random data agrees with OpenCV's, away from the rim."""
    plane = np.random.default_rng(4).integers(0, 65535, (40, 50), dtype=np.uint16)
    # OpenCV names a pattern by the second row's second and third pixel: ours is its BayerBG.
    reference = cv2.cvtColor(plane, cv2.COLOR_BayerBG2RGB)
    ours = fill_mosaic(plane.astype(np.float32))
    np.testing.assert_allclose(ours[2:-2, 2:-2], reference[2:-2, 2:-2], atol=1.0)


def test_a_mosaic_frame_is_developed_to_three_colours():
    """A flat colour comes back through mosaic, converter, filling and encoding."""
    image = np.broadcast_to(np.float32([0.1, 0.4, 0.7]), (32, 48, 3)).copy()
    frame = develop(expose(image, RIG, noise=False, bayer=True), RIG)
    np.testing.assert_allclose(decode_srgb(frame / 65535), image, atol=1e-4)


def test_a_mosaic_is_filled_without_seams():
    """Developing in strips gives what filling the whole mosaic at once gives."""
    numbers = np.random.default_rng(6).integers(64, 16384, (515, 20), dtype=np.uint16)
    whole = quantise(encode_srgb(fill_mosaic(to_linear(numbers, RIG))))
    np.testing.assert_array_equal(develop(numbers, RIG), whole)


def test_bad_requests_say_what_is_allowed():
    """A wrong shape, ISO or bit depth is named with what was got."""
    with pytest.raises(ValueError, match=r"shape \(H, W, 3\), got \(4, 4\)"):
        expose(np.zeros((4, 4), dtype=np.float32), RIG)
    with pytest.raises(ValueError, match="iso must be >= the base ISO 100, got 50"):
        saturation_e(SENSOR, iso=50)
    with pytest.raises(ValueError, match="bits must be 8 or 16, got 12"):
        quantise(np.zeros(3), bits=12)
