"""The living subject: spectrum of its stem, gusts, twitches, and leaving."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from stacktruth.simulator.data import DataFileError, list_data_files
from stacktruth.simulator.handling.random_motion import KNOT_S
from stacktruth.simulator.handling.sway import (
    Subject,
    SubjectPose,
    Swaying,
    Twitch,
    Wind,
    load_subject,
)
from tests.simulator.spectra import stem_psd

STEM = {"natural_hz": 2.0, "damping": 0.1, "push_hz": 0.3}
STEADY = Wind(rms_mm=(1.0, 0.5, 0.25), natural_hz=(2.0, 2.0), damping=(0.1, 0.1))
TIMES = np.arange(0, 20, 0.02)
RUNS = 64


def subject_path(subject, times, *, seed, scene):
    """Return the subject's poses in one drawn shoot, one frame a time."""
    return Swaying(subject, until_s=float(np.max(times)), seed=seed, scene=scene).poses(times)


def shakes(wind, *, length=TIMES):
    """Return 64 stationary runs of a stem in the wind, shape (runs, times, 3)."""
    subject = Subject(name="stem", wind=wind)
    return np.stack(
        [
            Swaying(subject, until_s=length[-1], seed=s, scene="s", framed=False).track(length)
            for s in range(RUNS)
        ]
    )


def test_stem_spectrum_holds_the_variance():
    """The stated one-sided spectrum integrates to the rms squared."""
    frequency = np.linspace(0, 200, 400_001)
    power = np.trapezoid(stem_psd(frequency, rms=2.0, **STEM), frequency)
    assert power == pytest.approx(4, rel=1e-4)


def test_stem_runs_follow_their_spectrum():
    """Mean periodograms of 64 runs follow the spectrum: exponential values, gamma means."""
    window = np.hanning(len(TIMES))
    runs = shakes(STEADY) / STEADY.rms_mm
    power = np.abs(np.fft.rfft(runs * window[:, np.newaxis], axis=1)) ** 2
    frequency = np.fft.rfftfreq(len(TIMES), 0.02)
    # The window smears the spectrum: convolve on a finer grid of frequencies.
    kernel = np.abs(np.fft.fft(window, 8 * len(window))) ** 2
    fine = np.abs(np.fft.fftfreq(8 * len(window), 0.02))
    two_sided = stem_psd(fine, rms=1.0, **STEM) / 2 / 0.02 / len(fine)
    smeared = np.fft.ifft(np.fft.fft(two_sided) * np.fft.fft(kernel)).real[::8]
    use = (frequency > 0.1) & (frequency < 8)
    whitened = (power.mean(axis=(0, 2)) / smeared[: len(frequency)])[use]
    tail = (1 - (1 - 1e-4) ** (1 / whitened.size)) / 2
    law = stats.gamma(RUNS * 3, scale=1 / RUNS / 3)
    assert law.ppf(tail) < whitened.min()
    assert whitened.max() < law.isf(tail)


@pytest.mark.parametrize("gustiness", [0.0, 0.8])
def test_sway_keeps_its_rms_in_gusts(gustiness):
    """Gusts swell and die down without changing the rms."""
    wind = replace(STEADY, gustiness=gustiness, gust_hz=0.2)
    squares = (shakes(wind) ** 2).mean(axis=1) / np.square(STEADY.rms_mm)
    z = (squares.mean() - 1) / stats.sem(squares.mean(axis=1))
    assert stats.sem(squares.mean(axis=1)) < 0.06
    assert abs(z) < 4


def test_gusts_swell_and_die_down():
    """Gusty swaying varies more from second to second than steady swaying does."""
    calm, gusty = (
        shakes(replace(STEADY, gustiness=g, gust_hz=0.05))[..., 0] ** 2 for g in (0.0, 1.0)
    )
    seconds = [x.reshape(RUNS, 20, 50).mean(axis=2) for x in (calm, gusty)]
    assert seconds[1].std() > 1.3 * seconds[0].std()


def test_wild_flowers_move_below_the_published_frequency():
    """94 % of a flower stem's motion lies below 1.7 Hz (J Exp Biol 221, jeb193672).

    Taken as share of power, averaged over the range of stems that the files ship.
    """
    wind = load_subject("light-air").wind
    frequency = np.linspace(0, 30, 30_001)
    shares = []
    for natural in np.linspace(*wind.natural_hz, 9):
        for damping in np.linspace(*wind.damping, 5):
            power = stem_psd(
                frequency, rms=1.0, natural_hz=natural, damping=damping, push_hz=wind.push_hz
            )
            shares.append(power[frequency < 1.7].sum() / power.sum())
    assert np.mean(shares) == pytest.approx(0.94, abs=0.02)


def test_a_pure_stem_peaks_at_its_natural_speed():
    """A lightly damped 2 Hz stem of 1 mm amplitude moves at 2 pi f A = 12.6 mm/s."""
    wind = Wind(
        rms_mm=(1 / np.sqrt(2), 0, 0),
        natural_hz=(2.0, 2.0),
        damping=(0.01, 0.01),
        push_hz=5.0,
    )
    subject = Subject(name="stem", wind=wind)
    squares = [
        np.mean(
            Swaying(subject, until_s=20, seed=s, scene="v", framed=False).velocity(TIMES)[:, 0] ** 2
        )
        for s in range(RUNS)
    ]
    assert np.sqrt(2 * np.mean(squares)) == pytest.approx(12.6, rel=0.06)


def test_velocity_is_the_slope_of_the_track():
    """Velocity at the knots matches differences from knot to knot, gusts included."""
    subject = load_subject("light-breeze")
    gusty = replace(subject, wind=replace(subject.wind, gustiness=0.9, gust_hz=0.3))
    swaying = Swaying(gusty, until_s=4, seed=1, scene="v")
    times = KNOT_S * np.arange(1, 900)
    slope = (swaying.track(times + KNOT_S) - swaying.track(times - KNOT_S)) / (2 * KNOT_S)
    velocity = swaying.velocity(times)
    error = np.sqrt(np.mean((velocity - slope) ** 2, axis=0))
    assert np.all(error < 0.02 * velocity.std(axis=0))


def test_a_held_stem_sways_less():
    """Fingers that leave a tenth of the sway leave a tenth of the track."""
    subject = load_subject("light-air")
    free, held = (
        Swaying(subject, until_s=2, seed=1, scene="h", held=h).track([0.7, 1.9]) for h in (1.0, 0.1)
    )
    np.testing.assert_allclose(held, 0.1 * free, atol=1e-12)


def test_a_still_subject_stays_exactly():
    """Without wind or twitch the subject is at its nominal place in every frame."""
    assert subject_path(load_subject("still"), [0, 1, 2], seed=1, scene="x") == [SubjectPose()] * 3


def test_a_twitch_goes_out_and_comes_back():
    """A named part is at rest, fully out while held, and back at rest afterwards."""
    antenna = Twitch(part="antenna", at_s=1.0, move_mm=(0, 0.5, -0.2), rise_s=0.1, hold_s=0.3)
    subject = Subject(name="beetle", twitches=(antenna,))
    path = subject_path(subject, [0.9, 1.05, 1.1, 1.4, 1.45, 1.5], seed=1, scene="t")
    down = [pose.parts_mm["antenna"][1] for pose in path]
    np.testing.assert_allclose(down, [0, 0.25, 0.5, 0.5, 0.25, 0], atol=1e-12)
    assert path[2].parts_mm["antenna"] == pytest.approx((0, 0.5, -0.2))


def test_the_subject_leaves_after_its_last_frame():
    """Frames after the last one are without the subject."""
    path = subject_path(load_subject("leaves-early"), np.arange(8) / 5, seed=1, scene="l")
    assert [pose.present for pose in path] == [True] * 6 + [False] * 2


@pytest.mark.parametrize("name", list_data_files("subject"))
def test_every_shipped_subject_is_regenerated_and_extended(name):
    """A path is made again from its seed, and more frames do not change the earlier ones."""
    subject = load_subject(name)
    path = subject_path(subject, np.arange(5) / 7, seed=4, scene="ramp")
    assert subject_path(subject, np.arange(50) / 7, seed=4, scene="ramp")[:5] == path
    assert path[0].x_mm == pytest.approx(0, abs=1e-12)
    if name != "still":
        assert subject_path(subject, np.arange(5) / 7, seed=5, scene="ramp") != path


def test_bad_subjects_are_refused(tmp_path):
    """A bad key or value is named with what was got."""
    bad = tmp_path / "bad.toml"
    bad.write_text("[wind]\nnatural_hz = [3.0, 1.0]\n")
    with pytest.raises(
        DataFileError, match=r"natural_hz: got 3.0, .*, allowed 0 < least <= greatest"
    ):
        load_subject(bad)
    bad.write_text("[[twitches]]\nat_s = 1.0\nmove_mm = [0, 0, 1]\n")
    with pytest.raises(DataFileError, match=r"twitches.0.part' is missing"):
        load_subject(bad)
