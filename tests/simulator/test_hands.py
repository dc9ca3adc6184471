"""The hands against their stated spectra, and against published tremor and sway."""

from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from scipy import stats

from stacktruth.simulator.data import DataFileError, list_data_files
from stacktruth.simulator.handling.approach import Approach
from stacktruth.simulator.handling.hands import Hands, Stance, load_stance
from stacktruth.simulator.handling.random_motion import KNOT_S
from stacktruth.simulator.pose import NOMINAL

SHAKY = ("standing", "elbows-tucked", "kneeling", "braced", "in-hand-stem")
RUNS, LENGTH_S, STEP_S = 64, 16.0, 0.02
HOLD = Approach(kind="stepped", step_mm=0.0)
G = 9.81


def camera_path(stance, times, *, seed, scene, approach=None):
    """Return the poses of one drawn pass, one frame a time."""
    until_s = float(np.max(times, initial=0.0))
    return Hands(stance, until_s=until_s, seed=seed, scene=scene, approach=approach).poses(times)


def z_limit(checks, *, false_alarm=1e-4):
    """Return the two-sided normal limit whose false alarms over all checks are so rare (Sidak)."""
    return stats.norm.isf((1 - (1 - false_alarm) ** (1 / checks)) / 2)


def steady(name, **changes):
    """Return a stance without heart pulse and with a tremor that keeps its centre."""
    return replace(load_stance(name), pulse_um=0.0, tremor_hz_spread=0.0, **changes)


@cache
def runs(name):
    """Return 64 runs of a stance's stationary shake, shape (runs, times, 6)."""
    times = np.arange(0, LENGTH_S, STEP_S)
    stance = steady(name)
    return np.stack(
        [
            Hands(stance, until_s=LENGTH_S, seed=run, scene=name, framed=False).shake(times)
            for run in range(RUNS)
        ]
    )


def autocovariance(stance, lag_s):
    """Return the model's autocovariance at some lags for each axis, shape (lags, 6).

    The transforms of the stated spectra: (1 + w0 t) exp(-w0 t) for sway, and
    exp(-g t) (cos w t + g/w sin w t) for a resonance of half-width g.
    """
    left = 1 - stance.coupling
    sway = np.array([left * size for size in stance.sway_mm] + [stance.rotation_mrad] * 3)
    tremor = np.array([stance.tremor_um / 1000] * 3 + [stance.rotation_tremor_mrad] * 3)
    corner = 2 * np.pi * stance.sway_hz * np.abs(lag_s)
    fade, turn = 2 * np.pi * stance.tremor_half_width_hz, 2 * np.pi * stance.tremor_hz
    angle = turn * np.abs(lag_s)
    resonance = np.exp(-fade * np.abs(lag_s)) * (np.cos(angle) + fade / turn * np.sin(angle))
    slow = (1 + corner) * np.exp(-corner)
    return np.outer(slow, sway**2) + np.outer(resonance, tremor**2)


def expected_periodogram(stance, window):
    """Return the mean windowed periodogram of the model, leakage included, shape (bins, 6)."""
    count = len(window)
    overlap = np.correlate(window, window, mode="full")[count - 1 :]
    weighted = overlap[:, np.newaxis] * autocovariance(stance, np.arange(count) * STEP_S)
    two_sided = np.vstack([weighted, np.zeros((1, 6)), weighted[:0:-1]])
    return np.fft.fft(two_sided, axis=0).real[: count + 1 : 2]


@pytest.mark.parametrize("name", SHAKY)
def test_rms_of_64_runs_is_the_stance_s(name):
    """Each axis has its stated rms, within the sampling error of a correlated series."""
    count = int(LENGTH_S / STEP_S)
    lags = np.arange(-count + 1, count)
    covariance = autocovariance(steady(name), lags * STEP_S)
    variance = covariance[count - 1]
    # Variance of a Gaussian series' mean square: 2/n^2 sum (n - |k|) R(k)^2.
    error = np.sqrt(2 * ((count - np.abs(lags)) @ covariance**2)) / count / np.sqrt(RUNS)
    z = ((runs(name) ** 2).mean(axis=(0, 1)) - variance) / error
    assert np.abs(z).max() < z_limit(6 * len(SHAKY))


def test_rms_pooled_over_stances_is_close():
    """Over all stances and axes together the mean square is within its sampling error."""
    ratios, errors = [], []
    count = int(LENGTH_S / STEP_S)
    lags = np.arange(-count + 1, count)
    for name in SHAKY:
        covariance = autocovariance(steady(name), lags * STEP_S)
        ratios.append((runs(name) ** 2).mean(axis=(0, 1)) / covariance[count - 1])
        spread = 2 * ((count - np.abs(lags)) @ covariance**2) / count**2 / RUNS
        errors.append(spread / covariance[count - 1] ** 2)
    error = np.sqrt(np.sum(errors)) / np.size(errors)
    assert error < 0.015
    assert abs(np.mean(ratios) - 1) < z_limit(1) * error


def _whitened(name):
    window = np.hanning(int(LENGTH_S / STEP_S))
    bins = slice(2, int(20 * LENGTH_S))
    power = np.abs(np.fft.rfft(runs(name) * window[:, np.newaxis], axis=1)) ** 2
    expected = expected_periodogram(steady(name), window)
    return (power.mean(axis=0) / expected)[bins]


@pytest.mark.parametrize("name", SHAKY)
def test_welch_spectrum_of_64_runs_is_the_stance_s(name):
    """Mean windowed periodograms follow the stated spectrum at every frequency up to 20 Hz.

    Every periodogram value of a Gaussian motion is exponential, so their mean over the runs is a
    gamma variable: limits without any choice of tolerance.
    """
    whitened = _whitened(name)
    tail = (1 - (1 - 1e-4) ** (1 / (whitened.size * len(SHAKY)))) / 2
    law = stats.gamma(RUNS, scale=1 / RUNS)
    assert whitened.min() > law.ppf(tail)
    assert whitened.max() < law.isf(tail)


def test_welch_spectrum_pooled_over_stances_is_close():
    """Pooled over stances and axes the spectra hold to a few per cent at every frequency."""
    pooled = np.mean([_whitened(name) for name in SHAKY], axis=0).mean(axis=1)
    values = RUNS * 6 * len(SHAKY)
    tail = (1 - (1 - 1e-4) ** (1 / pooled.size)) / 2
    law = stats.gamma(values, scale=1 / values)
    assert law.ppf(tail) < pooled.min()
    assert pooled.max() < law.isf(tail)


def test_standing_sways_at_the_computed_speed():
    """Standing axial sway moves at 2 pi f0 sigma = 7.9 mm/s rms."""
    stance = steady("standing", tremor_um=0.0)
    times = np.arange(0, 8, 0.05)
    squares = [
        np.mean(
            Hands(stance, until_s=8, seed=s, scene="v", approach=HOLD, framed=False).velocity(
                times
            )[:, 2]
            ** 2
        )
        for s in range(RUNS)
    ]
    z = (np.mean(squares) - 7.854**2) / stats.sem(squares)
    assert abs(z) < z_limit(1)
    assert np.sqrt(np.mean(squares)) == pytest.approx(7.9, rel=0.06)


def test_standing_drifts_less_than_foot_pressure_does():
    """Axial change in 0.1 s stays below the 1.2 mm rms of foot pressure in quiet standing.

    Bound: short-term diffusion of 6.6 mm^2/s fore and aft, sqrt(2 D t) = 1.15 mm
    (PMC3966255, table 3).
    """
    track = runs("standing")[:, :, 2]
    change = track[:, 5:] - track[:, :-5]
    stance = steady("standing")
    ends = autocovariance(stance, np.array([0.0, 0.1]))[:, 2]
    assert np.sqrt((change**2).mean()) < 1.2
    assert np.sqrt((change**2).mean()) == pytest.approx(np.sqrt(2 * (ends[0] - ends[1])), rel=0.05)


def test_modal_tremor_has_the_published_acceleration():
    """The modal tremor is 36 um rms and 0.01 g at its peak (Arch Neurol 39, 358, 1982).

    Tremor band 3 to 12 Hz (from memory), peak = sqrt(2) rms.
    """
    modal = steady(
        "standing",
        sway_mm=(0.0, 0.0, 0.0),
        rotation_mrad=0.0,
        rotation_tremor_mrad=0.0,
        tremor_hz=7.0,
    )
    times = np.arange(0, 60, 0.004)
    hands = Hands(modal, until_s=60, seed=1, scene="tremor", approach=HOLD)
    track_m = hands.shake(times)[:, :3] / 1000
    frequency = np.fft.rfftfreq(len(times), 0.004)
    motion = np.fft.rfft(track_m, axis=0)
    motion[(frequency < 3) | (frequency > 12)] = 0
    push = np.fft.irfft(motion * (2 * np.pi * frequency[:, np.newaxis]) ** 2, axis=0)
    peak_g = np.sqrt(2) * push.std(axis=0) / G
    assert track_m.std() * 1e6 == pytest.approx(36, rel=0.05)
    assert np.sqrt(np.mean(peak_g**2)) == pytest.approx(0.01, rel=0.06)
    assert np.sqrt(2) * 36e-6 * (2 * np.pi * 7) ** 2 / G == pytest.approx(0.01, rel=0.01)


def test_tremor_centre_wanders_between_runs_and_within():
    """With its spread the tremor's rms stays as stated and its centre differs from run to run."""
    stance = replace(steady("standing", sway_mm=(0.0, 0.0, 0.0)), tremor_hz_spread=1.0)
    times = np.arange(0, 16, 0.02)
    places, turns_hz = [], []
    for seed in range(32):
        hands = Hands(stance, until_s=16, seed=seed, scene="c", framed=False)
        places.append(np.mean(hands.shake(times)[:, :2] ** 2))
        # A resonance moves at sqrt(centre^2 + half-width^2) times its rms place.
        speed = np.mean(hands.velocity(times)[:, :2] ** 2)
        turns_hz.append(np.sqrt(speed / places[-1] / (2 * np.pi) ** 2 - 1.25**2))
    assert abs(np.mean(places) - 0.036**2) / stats.sem(places) < z_limit(1)
    assert abs(np.mean(turns_hz) - 8) / stats.sem(turns_hz) < z_limit(1)
    assert 0.5 < np.std(turns_hz) < 1.5


def test_motion_between_knots_keeps_its_law():
    """The change over a millisecond at odd times is as the model's autocovariance says."""
    stance = steady("standing", sway_mm=(0.0, 0.0, 0.0), rotation_mrad=0.0)
    starts = 0.0013 + np.arange(0, 30, 0.011)
    hands = Hands(stance, until_s=31, seed=3, scene="knots", framed=False)
    change = hands.shake(starts + 0.001) - hands.shake(starts)
    ends = autocovariance(stance, np.array([0.0, 0.001]))
    expected = np.sqrt(2 * (ends[0] - ends[1]))
    np.testing.assert_allclose(np.sqrt((change**2).mean(axis=0)), expected, rtol=0.08)


def test_velocity_is_the_slope_of_the_track():
    """Velocity at the knots matches differences from knot to knot, of pass and shake."""
    still = replace(load_stance("stepped"), pulse_um=10.0)
    times = KNOT_S * np.arange(1, 600)
    # A tremor's velocity is kicked between knots: 14 % of its rms at this distance.
    for stance, allowed in ((still, 0.001), (load_stance("kneeling"), 0.2)):
        for kind in ("lean", "rock"):
            pass_ = Approach(kind=kind, profile="min-jerk", length_mm=4.0, speed_mm_per_s=3.0)
            hands = Hands(stance, until_s=3, seed=4, scene="v", approach=pass_)
            rise = hands.track(times + KNOT_S) - hands.track(times - KNOT_S)
            velocity = hands.velocity(times)
            error = np.sqrt(np.mean((velocity - rise / (2 * KNOT_S)) ** 2, axis=0))
            assert np.all(error <= allowed * velocity.std(axis=0))


def test_a_run_is_regenerated_from_its_seed():
    """The same seed gives the same poses, and another seed or scene gives others."""
    stance, times = load_stance("kneeling"), np.arange(20) / 7
    path = camera_path(stance, times, seed=5, scene="ramp")
    assert camera_path(stance, times, seed=5, scene="ramp") == path
    assert camera_path(stance, times, seed=6, scene="ramp") != path
    assert camera_path(stance, times, seed=5, scene="cone") != path


@pytest.mark.parametrize("name", [*SHAKY, "stepped"])
def test_more_frames_do_not_change_the_earlier_ones(name):
    """The first frames of a long run are those of a short one."""
    stance = load_stance(name)
    stance = replace(stance, approach=replace(stance.approach, step_error_mm=0.02))
    short = camera_path(stance, np.arange(5) / 10, seed=1, scene="ramp")
    assert camera_path(stance, np.arange(50) / 10, seed=1, scene="ramp")[:5] == short


def test_another_frame_rate_sees_the_same_hands():
    """At twice the frame rate every other frame is unchanged: the hands do not know the camera."""
    stance = load_stance("standing")
    slow = camera_path(stance, np.arange(10) / 5, seed=2, scene="ramp")
    fast = camera_path(stance, np.arange(19) / 10, seed=2, scene="ramp")
    assert fast[::2] == slow


def test_no_shake_and_no_pass_is_the_nominal_camera():
    """Zero jitter on a pass that stands still is the nominal pose, exactly."""
    stance = replace(load_stance("stepped"), approach=HOLD)
    assert camera_path(stance, np.arange(6) / 3, seed=9, scene="ramp") == [NOMINAL] * 6


def test_shooting_starts_framed():
    """A run starts where the pass starts, but for tremor and pulse."""
    stance = replace(load_stance("standing"), tremor_um=0.0, pulse_um=0.0, rotation_tremor_mrad=0.0)
    start = replace(stance.approach, start_mm=-2.0)
    first = camera_path(stance, [0.0], seed=3, scene="ramp", approach=start)[0]
    np.testing.assert_allclose(first.shift_mm, [0, 0, -2.0], atol=1e-12)


def test_coupling_takes_out_the_shared_sway():
    """A stem held in the hand leaves a twentieth of the sway between camera and subject."""
    held = steady("in-hand-stem", tremor_um=0.0, rotation_tremor_mrad=0.0)
    free = replace(held, coupling=0.0)
    times = np.arange(0, 3, 0.1)
    apart = Hands(free, until_s=3, seed=1, scene="c").shake(times)[:, :3]
    together = Hands(held, until_s=3, seed=1, scene="c").shake(times)[:, :3]
    np.testing.assert_allclose(together, 0.05 * apart, atol=1e-12)


def test_places_during_an_exposure_lie_on_the_track():
    """An exposure samples the track of its own frame, at the middle of equal parts."""
    stance = replace(load_stance("kneeling"), approach=Approach(kind="stepped", step_mm=0.5))
    hands = Hands(stance, until_s=2, seed=1, scene="e")
    during = hands.during(3, 1.0, 0.01, samples=5)
    times = 1.0 + 0.01 * np.array([0.1, 0.3, 0.5, 0.7, 0.9])
    expected = hands.shake(times) + np.array([0, 0, 1.5, 0, 0, 0])
    np.testing.assert_allclose(during, expected, atol=1e-12)


def test_a_focus_ring_moves_the_focus_and_not_the_camera():
    """Refocusing steps the plane of focus while the camera only shakes."""
    stance = replace(load_stance("stepped"), approach=Approach(kind="focus-ring", step_mm=0.25))
    hands = Hands(stance, until_s=1, seed=1, scene="f")
    times = np.arange(4) / 4
    assert hands.poses(times) == [NOMINAL] * 4
    np.testing.assert_allclose(hands.focus_mm(times), [0, 0.25, 0.5, 0.75])


def test_standing_frames_come_out_of_order():
    """Standing, a slow lean meets depths more than once: time order is not depth order."""
    lean = Approach(speed_mm_per_s=1.0)
    backward = 0
    for seed in range(20):
        path = camera_path(
            load_stance("standing"), np.arange(30) / 10, seed=seed, scene="o", approach=lean
        )
        backward += sum(b.z_mm < a.z_mm for a, b in pairwise(path))
    assert 0.2 < backward / (20 * 29) < 0.5


def test_every_shipped_stance_loads():
    """All stance files are valid and carry their own name."""
    for name in list_data_files("stance"):
        assert load_stance(name).name == name


def test_bad_stances_and_times_are_refused(tmp_path):
    """A bad key, value or time is named with what was got."""
    bad = tmp_path / "bad.toml"
    bad.write_text("sway_hz = -1.0\n")
    with pytest.raises(DataFileError, match=r"sway_hz.*-1.0"):
        load_stance(bad)
    bad.write_text("tremble = 1.0\n")
    with pytest.raises(DataFileError, match="'tremble' is not known here"):
        load_stance(bad)
    with pytest.raises(DataFileError, match=r"unknown stance: got 'floating'.*standing"):
        load_stance("floating")
    with pytest.raises(ValueError, match=r"times_s must lie in 0 .. .*got -1"):
        camera_path(load_stance("standing"), [-1.0], seed=0, scene="ramp")
    hands = Hands(load_stance("standing"), until_s=1, seed=0, scene="ramp")
    with pytest.raises(ValueError, match=r"samples >= 1.*got 0"):
        hands.during(0, 0.0, 0.1, samples=0)


def test_pulse_has_its_rms_over_the_axes():
    """Over whole beats the mean square of the three axes is that of the stance; nothing turns."""
    stance = Stance(name="pulse alone", pulse_um=12.0, pulse_hz=1.25)
    times = np.arange(0, 8.0, 0.004)  # ten beats
    for seed in range(3):
        hands = Hands(stance, until_s=9, seed=seed, scene="beats", framed=False)
        moved = hands.shake(times)
        assert np.sqrt(np.mean(moved[:, :3] ** 2)) == pytest.approx(0.012, rel=1e-6)
        assert not moved[:, 3:].any()
