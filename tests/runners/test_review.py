"""Review of a burst: what was left out is missed, what is there is not, and doubt is said.

Frames are drawn here by other means than the simulator's: a random texture in bands of different
depth, each spread by the handbook's disc of diameter (m^2 / N_eff) |offset|, and larger by
d / (d - s) from s nearer (thin lens; any handbook of close-up photography). Diffraction is left
out: the disc is four pixels wide and more where it matters.
"""

import csv
import json
import re
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from PIL import Image
from scipy import fft, ndimage
from scipy.special import j1

from stacktruth.ground.pictures import encode_image
from stacktruth.runners.calibrate import Burst
from stacktruth.runners.cli import main
from stacktruth.runners.review import review_burst
from stacktruth.runners.review.focus_fit import FocusFit
from stacktruth.runners.review.gaps import held_by
from stacktruth.runners.review.keep import frames_to_keep
from stacktruth.runners.review.smear import smear_of
from stacktruth.runners.review.trial import NOT_DRAWN, known_passes, trial_summary
from stacktruth.runners.review.words import sentences
from stacktruth.simulator import load_rig
from stacktruth.simulator.optics import DepthOfField

RIG = load_rig("field-2x")
#: Twice life size at f/5.6: N_eff = 16.8, and 90 mm to the pupil, by the formulae of the handbooks.
M, N_EFF, DISTANCE_MM = 2.0, 16.8, 90.0
ROWS, COLS, PITCH_UM = 160, 240, 31.2
#: Depth of field 2 c N_eff / m^2 for a circle of two pixels.
LANE_MM = 2 * 2 * PITCH_UM * 1e-3 * N_EFF / M**2
#: Depth of each band of the subject, from left to right, and planes of focus that hold them all.
BANDS_MM = np.array([0.0, 0.8, 1.6, 2.4, 3.2, 4.0]) * LANE_MM
PLANES_MM = np.arange(-1.0, 5.01, 0.5) * LANE_MM


@cache
def texture(seed=0):
    """Return a grey random picture with detail of all sizes (power falls with 1 / f^2)."""
    noise = np.random.default_rng(seed).standard_normal((ROWS, COLS))
    down, right = fft.fftfreq(ROWS)[:, None], fft.rfftfreq(COLS)[None]
    spectrum = fft.rfft2(noise) / np.maximum(np.hypot(down, right), 0.01)
    picture = fft.irfft2(spectrum, (ROWS, COLS))
    return 0.4 + 0.1 * picture / picture.std()


def spread(picture, diameter_px):
    """Spread a picture by a disc: its transfer is 2 J1(pi f D) / (pi f D)."""
    down, right = fft.fftfreq(ROWS)[:, None], fft.rfftfreq(COLS)[None]
    reach = np.maximum(np.pi * np.hypot(down, right) * diameter_px, 1e-9)
    return fft.irfft2(fft.rfft2(picture) * 2 * j1(reach) / reach, picture.shape)


def drawn(plane_mm, *, bands_mm=BANDS_MM, picture=None, moved=None, noise=0.002, seed=0):
    """Return a frame of bands of texture, in focus at one depth, 16-bit linear."""
    picture = texture() if picture is None else picture
    out = np.zeros((ROWS, COLS))
    place = np.arange(COLS) * len(bands_mm) // COLS
    for number, depth_mm in enumerate(bands_mm):
        diameter_px = M**2 / N_EFF * abs(depth_mm - plane_mm) * 1e3 / PITCH_UM
        band = picture if moved is None else np.roll(picture, moved[number], axis=(0, 1))
        out[:, place == number] = spread(band, diameter_px)[:, place == number]
    scale = DISTANCE_MM / (DISTANCE_MM - plane_mm)
    middle = np.array([(ROWS - 1) / 2, (COLS - 1) / 2])
    seen = ndimage.affine_transform(
        out, np.eye(2) / scale, middle - middle / scale, order=3, mode="mirror"
    )
    seen = seen + noise * np.random.default_rng([seed, 7]).standard_normal(seen.shape)
    codes = np.rint(np.clip(seen, 0, 1) * 65535).astype(np.uint16)
    return np.repeat(codes[..., None], 3, axis=2)


def burst_of(frames):
    """Return frames in memory as a burst."""
    return Burst(
        frames=frames,
        times_s=np.arange(len(frames), dtype=float),
        times_from="the test",
        each_timed=True,
        exposure_s=None,
        linear=True,
        pitch_um=PITCH_UM,
    )


@cache
def frames():
    """Return frames that hold all bands."""
    return tuple(drawn(plane, seed=seed) for seed, plane in enumerate(PLANES_MM))


def review(pictures):
    """Return the review of frames in memory, by two pixels."""
    return review_burst(burst_of(list(pictures)), RIG, blur_um=2 * PITCH_UM)


@cache
def whole():
    """Return the review of all frames."""
    return review(frames())


def test_planes_of_focus_come_back():
    """From scale and blur, to a tenth of the depth of field; their order too."""
    found = np.array([frame.focus_mm for frame in whole().frames])
    off = (found - found.mean()) - (PLANES_MM - PLANES_MM.mean())
    assert np.abs(off).max() < 0.1 * LANE_MM
    assert [frame.place for frame in whole().frames] == list(range(1, len(PLANES_MM) + 1))


def test_a_burst_that_holds_all_is_enough():
    """No gap where neighbouring planes are half a depth of field apart."""
    assert whole().verdict == "enough"
    assert whole().shares["never"] == 0
    assert whole().judged > 0.8


def test_a_depth_that_was_left_out_is_missed():
    """Frames about the band at 1.6 depths of field are gone: that band alone is in a gap."""
    kept = np.abs(PLANES_MM / LANE_MM - 1.6) > 0.95
    found = review([frame for frame, keep in zip(frames(), kept, strict=True) if keep])
    assert found.verdict == "gap"
    (gap,) = [one for one in found.held.gaps if None not in (one.before, one.behind)]
    planes = PLANES_MM[kept]
    wide = np.diff(planes).max() - LANE_MM
    assert abs(gap.size_mm - wide) < max(gap.error_mm, 0.1 * LANE_MM)
    state = found.held.state.reshape(found.grid.cells)
    part = np.arange(state.shape[1]) * len(BANDS_MM) // state.shape[1]
    assert (state == 2)[:, part == 2].mean() > 0.6
    assert (state == 2)[:, np.isin(part, [0, 4, 5])].mean() < 0.02


def test_the_frames_to_keep_hold_what_all_hold():
    """Fewer frames, one for each band at least, and each band keeps its sharpest or nearly."""
    kept = [frame for frame in whole().frames if frame.keep]
    assert len(BANDS_MM) <= len(kept) < len(PLANES_MM)
    for band in BANDS_MM:
        planes = [
            plane for plane, frame in zip(PLANES_MM, whole().frames, strict=True) if frame.keep
        ]
        assert np.abs(np.array(planes) - band).min() < LANE_MM / 2


def test_needless_frames_are_dropped():
    """A frame whose cells two others hold is not kept (set cover by hand)."""
    shown = np.array([[1, 1, 1, 1, 0, 0], [1, 1, 1, 0, 1, 0], [0, 0, 0, 1, 0, 1]], bool)
    assert frames_to_keep(shown, np.ones(6, bool)).tolist() == [False, True, True]


def test_weak_texture_cannot_be_told():
    """A picture of broad shades alone, with noise."""
    smooth = ndimage.gaussian_filter(texture(), 12, mode="wrap")
    shades = 0.4 + 0.1 * (smooth - smooth.mean()) / smooth.std()
    found = [drawn(plane, picture=shades, seed=n) for n, plane in enumerate(PLANES_MM[::2])]
    assert review(found).verdict == "cannot tell"


@pytest.mark.slow
def test_what_moves_cannot_be_told():
    """Half of the bands go another way in every frame, by more than a circle of confusion."""
    rng = np.random.default_rng(5)
    moved = [
        np.where(np.arange(6)[:, None] % 2, rng.integers(-9, 10, (6, 2)), 0) for _ in PLANES_MM
    ]
    pictures = [
        drawn(plane, moved=[tuple(way) for way in ways], seed=n)
        for n, (plane, ways) in enumerate(zip(PLANES_MM, moved, strict=True))
    ]
    found = review(pictures)
    assert found.shares["moves"] > 0.3


def test_motion_blur_is_found_with_its_direction():
    """A cell's slopes by the law of smear: sinc(f L)^2 along the way, nothing across."""
    angles = np.deg2rad([0.0, 45.0, 90.0, 135.0])
    even = np.ones((5, 4, 40))
    smeared = even.copy()
    smeared[2] *= (1 - 0.7 * np.cos(angles) ** 2)[:, None]  # less along the rows
    found = smear_of(smeared, np.ones((5, 40)))
    assert found.length[2] > 1.0
    assert found.direction[2] == 0.0
    assert (found.length[[0, 1, 3, 4]] < 0.3).all()


def written(folder, pictures, suffix, *, exif=None):
    """Write frames as files, 8-bit sRGB for JPEG."""
    folder.mkdir()
    for number, picture in enumerate(pictures):
        name = folder / f"IMG_{number:04d}{suffix}"
        if suffix == ".jpg":
            light = picture / 65535
            codes = np.rint(
                255 * np.where(light < 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
            )
            Image.fromarray(codes.astype(np.uint8)).save(name, quality=95, exif=exif or b"")
        else:
            name.write_bytes(encode_image(picture, suffix))
    return folder


def run(folder, *options):
    """Return the exit status of the command on a folder."""
    return main(["review", str(folder), "--rig", "field-2x", "--pitch", str(PITCH_UM), *options])


def camera_tags():
    """Return EXIF bytes: 1/125 s, f/5.6, ISO 200 (EXIF 2.32)."""
    tags = Image.Exif()
    tags.get_ifd(0x8769).update({0x829A: 1 / 125, 0x829D: 5.6, 0x8827: 200})
    return tags.tobytes()


@pytest.mark.slow
def test_the_page_and_the_tables_of_a_jpeg_burst(tmp_path, capsys):
    """The verdict comes first; the page needs no other file; a row for each frame."""
    folder = written(tmp_path / "burst", frames()[::2], ".jpg", exif=camera_tags())
    assert run(folder, "--out", str(tmp_path / "out")) == 0
    printed = capsys.readouterr().out
    assert printed.startswith(("Enough", "Shoot again", "Cannot tell", "No gap"))
    assert "1/125 s f/5.6 ISO 200" in printed
    page = (tmp_path / "out" / "index.html").read_text()
    assert page.index('class="verdict') < page.index("<h1>")
    assert 'name="viewport"' in page
    assert all(src.startswith("data:") for src in re.findall(r'<img src="([^"]+)', page))
    with (tmp_path / "out" / "frames.csv").open() as file:
        assert len(list(csv.DictReader(file))) == len(frames()[::2])


@pytest.mark.parametrize("suffix", [".png", ".tif"])
def test_16_bit_files_are_read(tmp_path, capsys, suffix):
    """Without EXIF: the order is that of the names, and that is said."""
    folder = written(tmp_path / "burst", frames()[3:7], suffix)
    assert run(folder, "--json") == 0
    record = json.loads(capsys.readouterr().out)
    assert record["order_from"] == "the names of the files"
    assert len(record["frames"]) == 4


def test_another_f_number_than_the_rig_s_is_told():
    """A third of a stop apart and more; not where the camera rounds."""
    told = [" ".join(sentences(replace(whole(), f_number_told=one))) for one in (5.6, 5.7, 8.0)]
    assert ["--f-number 8" in text for text in told] == [False, False, True]


def test_a_burst_of_smeared_frames_alone_is_not_judged():
    """No frame counts, so nothing is said to be sharp or missing."""
    fit = FocusFit(
        frame_mm=np.arange(3.0),
        frame_error_mm=np.full(3, 0.1),
        depths_mm=np.arange(4.0),
        chance=np.full((4, 5), 0.25),
        width_mm=np.zeros(5),
        texture=np.ones((4, 5)),
        misfit=np.ones(5),
        told=np.ones(5, bool),
    )
    lane = DepthOfField(near_mm=0.5, far_mm=0.5)
    held = held_by(fit, np.zeros(3, bool), lane, untold=np.zeros(5, bool))
    assert held.gaps == ()
    assert (held.state == 0).all()


def one_frame(folder):
    """Write a single frame."""
    written(folder, frames()[:1], ".png")


def two_sizes(folder):
    """Write frames of which one is smaller."""
    written(folder, frames()[:4], ".png")
    (folder / "IMG_0002.png").write_bytes(encode_image(frames()[0][:100], ".png"))


def no_picture(folder):
    """Write frames of which one is a text."""
    written(folder, frames()[:4], ".jpg")
    (folder / "IMG_0001.jpg").write_text("this is no picture")


def cut_short(folder):
    """Write frames of which one ends early."""
    written(folder, frames()[:4], ".png")
    path = folder / "IMG_0001.png"
    path.write_bytes(path.read_bytes()[:9000])


def black(folder):
    """Write black frames."""
    written(folder, [np.zeros((ROWS, COLS, 3), np.uint16)] * 4, ".png")


def unrelated(folder):
    """Write pictures of different things."""
    written(folder, [drawn(0.0, picture=texture(seed)) for seed in range(1, 5)], ".png")


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (one_frame, "got 1 picture, expected more: 3 needed"),
        (two_sizes, "differ in size"),
        (no_picture, "IMG_0001.jpg cannot be read"),
        (cut_short, "IMG_0001.png"),
        (black, "all frames are black"),
        pytest.param(unrelated, "do not show the same thing", marks=pytest.mark.slow),
    ],
)
def test_a_bad_burst_is_one_clear_sentence(tmp_path, capsys, make, says):
    """What is wrong, and with which file; nothing is written."""
    make(tmp_path / "burst")
    assert run(tmp_path / "burst", "--out", str(tmp_path / "out")) in (1, 2)
    told = capsys.readouterr().err.strip()
    assert says in told
    assert len(told.splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_a_burst_that_could_not_be_drawn_counts_nowhere():
    """Two with a gap, of which one is found, one without, one that no draw gave."""
    rows = pd.DataFrame(
        {
            "planted": [True, True, False, True],
            "verdict": ["gap", "enough", "enough", NOT_DRAWN],
            "hits": [3.0, 1.0, 0.0, np.nan],
            "misses": [1.0, 3.0, 0.0, np.nan],
            "false": [0.0, 0.0, 4.0, np.nan],
        }
    )
    found = trial_summary(rows).set_index("of")
    assert found[["hits", "tries"]].to_numpy().tolist() == [[1, 2], [1, 1], [4, 8], [4, 8]]


def test_other_numbers_are_other_bursts_of_the_same_plan():
    """Half of any forty have a gap, and none is in the first forty."""
    first, later = known_passes(40), known_passes(40, first=100)
    assert sum(one.planted for one in later) == 20
    assert not {one.number for one in first} & {one.number for one in later}
    assert {one.scene for one in later} == {one.scene for one in first}
