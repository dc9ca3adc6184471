"""Times and order of a real burst's files: whole seconds, wrapped counters, portrait frames."""

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageOps

from stacktruth.runners.calibrate import read_burst
from stacktruth.runners.calibrate.measure import calibrate_track
from stacktruth.runners.calibrate.times import pace_bounds
from stacktruth.runners.calibrate.track import Track
from stacktruth.runners.cli import main
from stacktruth.runners.request import RequestError
from stacktruth.simulator import load_rig
from stacktruth.simulator.handling.hands import load_stance
from stacktruth.simulator.handling.light import load_light

RIG = load_rig("field-2x")
#: The sensor is 6000 x 4000 px; these frames are merged by 100.
SIZE = (60, 40)


def picture(number, size=SIZE):
    """Return a small picture that tells its number and which way up it is."""
    cols, rows = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    grey = np.stack([2 * cols, 3 * rows, np.full_like(cols, 7 * number)], axis=-1)
    return Image.fromarray(grey.astype(np.uint8))


def written(folder, names, times_s, *, parts=False, turned=None, size=SIZE):
    """Write pictures with EXIF times, of whole seconds unless ``parts``."""
    folder.mkdir()
    begun = datetime(2026, 6, 1, 8, 30, 12)
    for number, (name, time_s) in enumerate(zip(names, times_s, strict=True)):
        taken, tags = begun + timedelta(seconds=float(time_s)), Image.Exif()
        tags.get_ifd(0x8769)[0x9003] = taken.strftime("%Y:%m:%d %H:%M:%S")
        if parts:
            tags.get_ifd(0x8769)[0x9291] = f"{taken.microsecond // 1000:03d}"
        if turned is not None:
            tags[0x0112] = turned
        read = Image.Exif()
        read.load(tags.tobytes())
        picture(number, size).save(folder / f"{name}.png", exif=read)
    return folder


@given(
    rate=st.floats(1.5, 30),
    phase=st.floats(0, 0.999),
    frames=st.integers(8, 60),
)
def test_the_true_pace_is_always_within_the_bounds(rate, phase, frames):
    """Whatever the rate and wherever in a second the burst begins."""
    stamps = np.floor(phase + np.arange(frames) / rate)
    low, high = pace_bounds(stamps - stamps[0])
    assert low <= 1 / rate <= high


def test_the_bounds_are_those_that_a_search_finds():
    """Of a fine grid of rates and phases, those that make just these stamps."""
    stamps = np.floor(0.4 + np.arange(25) / 6.92)
    gaps, phases = np.linspace(0.1, 0.2, 1001), np.linspace(0, 0.999, 400)
    made = np.floor(phases[:, np.newaxis, np.newaxis] + gaps[:, np.newaxis] * np.arange(25))
    fits = gaps[(made == stamps).all(axis=2).any(axis=0)]
    low, high = pace_bounds(stamps)
    assert low == pytest.approx(fits.min(), abs=3e-4)
    assert high == pytest.approx(fits.max(), abs=3e-4)


def test_whole_seconds_are_bounds_of_the_rate(tmp_path):
    """A burst at 6.92 frames a second: its rate is between those told."""
    names = [f"a{number:04d}" for number in range(40)]
    burst = read_burst(written(tmp_path / "b", names, 0.3 + np.arange(40) / 6.92), RIG)
    told = burst.times_s[1]
    assert not burst.each_timed
    assert burst.pace[0] < (1 / 6.92) / told < burst.pace[1]
    assert burst.pace[1] / burst.pace[0] < 1.2
    assert "whole seconds" in burst.times_from


@pytest.mark.parametrize(("frames", "rate"), [(8, 4.0), (12, 12.0)])
def test_too_loose_bounds_are_refused_with_the_rates_they_allow(tmp_path, frames, rate):
    """A burst of a second or two in whole seconds tells next to nothing."""
    names = [f"a{number}" for number in range(10, 10 + frames)]
    folder = written(tmp_path / "b", names, np.arange(frames) / rate)
    with pytest.raises(RequestError, match=r"allow any rate .* give its rate with --fps, or the"):
        read_burst(folder, RIG)
    burst = read_burst(folder, RIG, frames_per_s=(3.0, 5.0))
    np.testing.assert_allclose(burst.times_s, np.arange(frames) / 4)
    assert burst.pace == (pytest.approx(4 / 5), pytest.approx(4 / 3))


def test_a_camera_that_waited_has_no_even_rate(tmp_path):
    """Ten frames in two seconds, and then four in twenty."""
    times_s = np.concatenate([np.arange(10) / 5, 7 + 5 * np.arange(4)])
    folder = written(tmp_path / "b", [f"a{n:02d}" for n in range(14)], times_s)
    with pytest.raises(RequestError, match="no even rate fits"):
        read_burst(folder, RIG)


@pytest.mark.parametrize("parts", [True, False])
def test_a_counter_that_wraps_is_put_in_order(tmp_path, parts):
    """9997, 9998, 9999, 0001: the first file by name is the fourth that was shot."""
    counts = [*range(9970, 10000), *range(1, 31)]
    times_s = 0.37 + np.arange(60) / 5
    folder = written(tmp_path / "b", [f"DSC{n:04d}" for n in counts], times_s, parts=parts)
    burst = read_burst(folder, RIG)
    shown = [int(frame[0, 0, 2]) for frame in burst.frames]
    assert shown == [7 * number % 256 for number in range(60)]
    assert (np.diff(burst.times_s) > 0).all()


def test_a_wrapped_counter_needs_no_times(tmp_path):
    """With a rate asked, the gap in the numbers tells where the burst began."""
    counts = [9996, 9997, 9998, 9999, 1, 2, 3, 4]
    folder = written(tmp_path / "b", [f"P{n:04d}" for n in counts], np.zeros(8))
    burst = read_burst(folder, RIG, frames_per_s=5)
    assert [int(frame[0, 0, 2]) for frame in burst.frames] == [7 * number for number in range(8)]


def test_a_gap_in_the_numbers_is_not_a_wrap(tmp_path):
    """Frames taken out of a burst leave it in order."""
    counts = [1, 2, 3, 4, 200, 201, 202, 203]
    folder = written(tmp_path / "b", [f"P{n:04d}" for n in counts], np.zeros(8))
    burst = read_burst(folder, RIG, frames_per_s=5)
    assert [int(frame[0, 0, 2]) for frame in burst.frames] == [7 * number for number in range(8)]


@pytest.mark.parametrize("turned", [1, 3, 6, 8])
def test_turned_frames_are_set_upright(tmp_path, turned):
    """As Pillow turns them (ImageOps.exif_transpose), and with the pixels of the whole sensor."""
    names = [f"a{number}" for number in range(8)]
    folder = written(tmp_path / "b", names, np.arange(8), turned=turned)
    burst = read_burst(folder, RIG, frames_per_s=5)
    assert burst.pitch_um == pytest.approx(100 * RIG.sensor.pitch_um)
    for name, frame in zip(names, burst.frames, strict=True):
        with Image.open(folder / f"{name}.png") as image:
            np.testing.assert_array_equal(frame, np.asarray(ImageOps.exif_transpose(image)))


def test_upright_pixels_show_the_whole_sensor(tmp_path):
    """A program has turned the pixels already: 40 x 60 of a sensor of 6000 x 4000."""
    names = [f"a{number}" for number in range(8)]
    folder = written(tmp_path / "b", names, np.arange(8), size=SIZE[::-1])
    burst = read_burst(folder, RIG, frames_per_s=5)
    assert burst.pitch_um == pytest.approx(100 * RIG.sensor.pitch_um)
    assert burst.frames[0].shape[:2] == (60, 40)


def test_frames_held_in_two_ways_are_refused(tmp_path):
    """One clear sentence, with the file that differs."""
    folder = written(tmp_path / "b", [f"a{number}" for number in range(8)], np.arange(8), turned=1)
    tags = Image.Exif()
    tags[0x0112] = 6
    picture(9).save(folder / "z.png", exif=tags)
    with pytest.raises(
        RequestError, match=r"turned differently: got orientation 6 in z.*, expected 1 as in a0.png"
    ):
        read_burst(folder, RIG, frames_per_s=5)


def test_what_is_not_known_of_the_times_widens_speeds_and_rates(tmp_path):
    """A pace of 0.8 to 1.25 divides and multiplies the interval's ends, and no length's."""
    names = [f"a{number}" for number in range(30)]
    folder = written(tmp_path / "b", names, np.arange(30))
    burst = read_burst(folder, RIG, frames_per_s=5)
    rng = np.random.default_rng(0)
    times_s = burst.times_s
    track = Track(
        times_s=times_s,
        seen=np.ones(30, bool),
        dark=np.zeros(30, bool),
        right_mm=rng.normal(0, 0.1, 30),
        down_mm=rng.normal(0, 0.1, 30),
        advance_mm=2 * times_s + rng.normal(0, 0.1, 30),
        roll_mrad=rng.normal(0, 0.5, 30),
        gain_stops=np.zeros(30),
        reference=0,
    )
    told = {"stance": load_stance("kneeling"), "light": load_light("steady-lamp"), "seed": 0}
    exact = calibrate_track(track, burst, RIG, **told).measured
    loose = calibrate_track(track, replace(burst, pace=(0.8, 1.25)), RIG, **told).measured
    for name in ("speed_mm_per_s", "sway_hz"):
        assert loose[name].low == pytest.approx(exact[name].low / 1.25)
        assert loose[name].high == pytest.approx(exact[name].high / 0.8)
    assert loose["sway_across_mm"] == exact["sway_across_mm"]


def test_the_command_tells_how_to_shoot(capsys):
    """Without a burst or a rig: subject, pace, number of frames, and times."""
    assert main(["calibrate", "--how"]) == 0
    told = capsys.readouterr().out
    assert all(word in told for word in ("flat", "Lean in", "40 frames", "--fps", "footing"))


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ([], "a calibration needs FRAMES and --rig; --how tells"),
        (["burst"], "a calibration needs FRAMES and --rig"),
        (["burst", "--rig", "field-2x", "--fps", "9-7"], "LOW not above HIGH"),
        (["burst", "--rig", "field-2x", "--fps", "0"], "allowed a number above 0"),
    ],
)
def test_a_wrong_request_is_one_sentence(capsys, options, message):
    """Status 2, and what is allowed."""
    assert main(["calibrate", *options]) == 2
    assert message in capsys.readouterr().err
