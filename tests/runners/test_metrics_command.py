"""``metrics``: two picture files and nothing else, against scikit-image's numbers."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image as Pillow
from scipy.ndimage import gaussian_filter
from skimage import data
from skimage.metrics import peak_signal_noise_ratio, structural_similarity

from stacktruth.runners.cli import main

PHOTO = data.coffee()[100:200, 150:290]
SOFT = np.rint(gaussian_filter(PHOTO.astype(float), (1, 1, 0))).astype(np.uint8)


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a folder with the photograph, and a softened one, as several kinds of file."""
    monkeypatch.chdir(tmp_path)
    Pillow.fromarray(PHOTO).save("photo.png")
    Pillow.fromarray(SOFT).save("soft.png")
    tifffile.imwrite("photo16.tif", PHOTO.astype(np.uint16) * 257, photometric="rgb")
    tifffile.imwrite("photo32.tif", (PHOTO / np.float32(255)), photometric="rgb")
    return tmp_path


def asked(capsys: pytest.CaptureFixture, *words: str) -> list[dict]:
    """Run the command for JSON and return its rows."""
    assert main(["metrics", *words, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_scores_are_scikit_image_s(capsys: pytest.CaptureFixture) -> None:
    """PSNR of 8-bit values, and SSIM as Wang et al. have it, less the border of its window."""
    rows = asked(capsys, "soft.png", "photo.png", "--name", "psnr_db", "--name", "ssim")
    psnr = peak_signal_noise_ratio(PHOTO, SOFT, data_range=255)
    ssim = structural_similarity(
        PHOTO, SOFT, data_range=255, channel_axis=2, gaussian_weights=True, sigma=1.5,
        use_sample_covariance=False,
    )  # fmt: skip
    assert [row["metric"] for row in rows] == ["psnr_db", "ssim"]
    assert rows[0]["value"] == pytest.approx(psnr, abs=1e-4)
    assert rows[1]["value"] == pytest.approx(ssim, abs=1e-4)
    assert [row["better"] for row in rows] == ["higher", "higher"]
    assert (rows[0]["unit"], rows[0]["status"]) == ("dB", "ok")


@pytest.mark.parametrize("other", ["photo.png", "photo16.tif", "photo32.tif"])
def test_a_picture_against_itself_is_perfect(other: str, capsys: pytest.CaptureFixture) -> None:
    """Of whatever depth, each by its own white: the best of every metric, or a reason."""
    rows = {row["metric"]: row for row in asked(capsys, "photo.png", other)}
    assert len(rows) >= 15
    assert rows["ssim"]["value"] == pytest.approx(1.0, abs=1e-6)
    assert rows["invented_detail"]["value"] == pytest.approx(0.0, abs=1e-6)
    assert rows["multi_scale_ssim"]["value"] is None  # a side is below 176 px
    assert "a side is below 176 px" in rows["multi_scale_ssim"]["status"]
    exact = asked(capsys, "photo.png", "photo.png", "--name", "psnr_db")[0]
    assert (exact["value"], exact["status"]) == (None, "infinite")


def test_the_table_and_the_file_hold_the_same(capsys: pytest.CaptureFixture) -> None:
    """One line a metric, its value to six digits; all digits in the file."""
    assert main(["metrics", "soft.png", "photo.png", "--csv", "scores.csv"]) == 0
    lines = capsys.readouterr().out.splitlines()
    with Path("scores.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert lines[0].split() == ["metric", "value", "unit", "better"]
    assert [line.split()[0] for line in lines[1:]] == [row["metric"] for row in rows]
    for line, row in zip(lines[1:], rows, strict=True):
        shown = line.split()[1]
        assert shown == ("-" if row["value"] == "nan" else f"{float(row['value']):.6g}")


def test_which_is_which_matters(capsys: pytest.CaptureFixture) -> None:
    """The first is the result: a soft one lacks detail, and one sharper than its reference has."""
    kept = asked(capsys, "soft.png", "photo.png", "--name", "sharpness_kept")[0]["value"]
    gained = asked(capsys, "photo.png", "soft.png", "--name", "sharpness_kept")[0]["value"]
    assert kept < 1 < gained


def test_linear_light_is_encoded_first(capsys: pytest.CaptureFixture) -> None:
    """Files of linear light score as their sRGB-encoded copies do."""
    encoded = [image / np.float32(255) for image in (SOFT, PHOTO)]
    for name, values in zip(("soft", "photo"), encoded, strict=True):
        light = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
        tifffile.imwrite(f"{name}_light.tif", light.astype(np.float32), photometric="rgb")
    plain = asked(capsys, "soft.png", "photo.png", "--name", "psnr_db")
    linear = asked(capsys, "soft_light.tif", "photo_light.tif", "--linear", "--name", "psnr_db")
    assert linear[0]["value"] == pytest.approx(plain[0]["value"], abs=1e-3)


def test_grey_and_colour_can_be_compared(capsys: pytest.CaptureFixture) -> None:
    """A plane counts as a grey picture: of the photograph it keeps no colour."""
    grey = np.rint(PHOTO @ [0.2126, 0.7152, 0.0722]).astype(np.uint8)
    Pillow.fromarray(grey).save("grey.png")
    kept = asked(capsys, "grey.png", "photo.png", "--name", "colour_kept")[0]
    assert kept["value"] == pytest.approx(0.0, abs=0.01)
    assert len(asked(capsys, "grey.png", "grey.png")) >= 15


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["none.png", "photo.png"], "none.png: there is no such file"),
        (["small.png", "photo.png"], "got sizes small.png: 70x50 px, photo.png: 140x100 px"),
        (["notes.png", "photo.png"], "notes.png cannot be read as a picture"),
        (["photo.gif", "photo.png"], "got suffix '.gif', allowed one of .tif, .tiff"),
        (["hole.tif", "photo.png"], "hole.tif: got 3 values that are NaN or infinite"),
        (["many.tif", "photo.png"], "many.tif: got shape (4, 5"),
        (["long.tif", "photo.png"], "long.tif: got type uint32, allowed uint8, uint16 and float32"),
        (["clear.png", "photo.png"], "clear.png has an opacity channel: got 100.0% of it not"),
        (["soft.png", "photo.png", "--name", "best"], "no metric is called 'best'; there are psnr"),
        (["soft.png", "photo.png", "--name", "ghost"], "'ghost' needs more than two pictures: oth"),
        (["soft.png", "photo.png", "--name", "mutual_information"], "needs more than two pictures"),
        (["soft.png", "photo.png", "--csv", "photo.png"], "photo.png exists already"),
        (["soft.png"], "the following arguments are required: B"),
    ],
)
def test_a_wrong_request_is_named(
    words: list[str], message: str, capsys: pytest.CaptureFixture
) -> None:
    """Exit status 2, one or two lines, and nothing is written."""
    Pillow.fromarray(PHOTO[::2, ::2]).save("small.png")
    Path("notes.png").write_text("not a picture", encoding="utf-8")
    Pillow.fromarray(PHOTO).save("photo.gif")
    holed = PHOTO / np.float32(255)
    holed[2, 3] = np.nan
    tifffile.imwrite("hole.tif", holed, photometric="rgb")
    tifffile.imwrite("many.tif", np.zeros((4, 5, 6, 3), np.uint8), photometric="rgb")
    tifffile.imwrite("long.tif", PHOTO.astype(np.uint32), photometric="rgb")
    Pillow.fromarray(np.dstack([PHOTO, PHOTO[..., 0] // 2])).save("clear.png")
    before = set(Path().iterdir())
    assert main(["metrics", *words]) == 2
    told = capsys.readouterr()
    assert message in told.err
    assert len(told.err.splitlines()) <= 2
    assert told.out == ""
    assert set(Path().iterdir()) == before
