"""A merged file is read where its values are a frame's values, and else refused with a sentence."""

from functools import cache
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image as Pillow
from PIL import ImageCms

from stacktruth.ground.finished import is_srgb, profile_of, read_finished

COLOUR = np.random.default_rng(3).integers(0, 256, (13, 17, 3), dtype=np.uint8)
SUFFIXES = (".tif", ".png", ".jpg")


@cache  # a new one would carry another time of making
def icc(gamma: float | None = None) -> bytes:
    """Return an ICC profile: Little CMS's own sRGB, or the same with a pure power as its curve.

    The curve of a version-2 profile made by Pillow is a table; a gamma is written in its place as
    ICC.1:2022, 10.6 has it: 'curv', four zeros, a count of 1, and the power in 8.8 fixed point.
    """
    data = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    if gamma is None:
        return bytes(data)
    count = int.from_bytes(data[128:132], "big")
    for entry in range(count):
        at = 132 + 12 * entry
        if data[at : at + 4] in (b"rTRC", b"gTRC", b"bTRC"):
            start = int.from_bytes(data[at + 4 : at + 8], "big")
            power = round(gamma * 256).to_bytes(2, "big")
            data[start : start + 14] = b"curv" + bytes(4) + (1).to_bytes(4, "big") + power
            data[at + 8 : at + 12] = (14).to_bytes(4, "big")
    return bytes(data)


def written(path: Path, image: np.ndarray, profile: bytes | None = None) -> Path:
    """Write a picture with Pillow, and a profile if there is one."""
    Pillow.fromarray(image).save(path, icc_profile=profile)
    return path


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_srgb_is_read_with_and_without_its_profile(tmp_path: Path, suffix: str) -> None:
    """The same values."""
    plain = written(tmp_path / f"plain{suffix}", COLOUR)
    named = written(tmp_path / f"named{suffix}", COLOUR, icc())
    assert profile_of(plain.read_bytes(), plain.suffix) is None
    assert profile_of(named.read_bytes(), named.suffix) == icc()
    np.testing.assert_array_equal(read_finished(named), read_finished(plain))


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_another_profile_is_refused(tmp_path: Path, suffix: str) -> None:
    """A gamma of 1.8 means other colours."""
    path = written(tmp_path / f"other{suffix}", COLOUR, icc(1.8))
    with pytest.raises(
        ValueError, match=rf"other{suffix}: got the colour profile '.*', allowed sRGB"
    ):
        read_finished(path)


def test_a_profile_is_srgb_by_its_colours() -> None:
    """A gamma of 2.2 is off by more than three levels in the darks, 1.0 and 1.8 by far."""
    assert is_srgb(icc())
    assert not any(is_srgb(icc(gamma)) for gamma in (1.0, 1.8, 2.2))
    assert not is_srgb(b"no profile")
    lab = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    assert not is_srgb(lab)


def test_a_16_bit_tiff_keeps_its_profile(tmp_path: Path) -> None:
    """As written by tifffile; Pillow cannot read such a file at all."""
    deep = COLOUR.astype(np.uint16) * 257
    path = tmp_path / "deep.tif"
    tifffile.imwrite(path, deep, photometric="rgb", iccprofile=icc(1.8))
    with pytest.raises(ValueError, match="got the colour profile"):
        read_finished(path)
    tifffile.imwrite(path, deep, photometric="rgb", iccprofile=icc())
    np.testing.assert_array_equal(read_finished(path), deep)


@pytest.mark.parametrize("suffix", [".tif", ".png"])
def test_opacity_is_left_out_only_where_all_is_opaque(tmp_path: Path, suffix: str) -> None:
    """One pixel of 221 that lets through what is behind it is 0.5 %."""
    opaque = np.dstack([COLOUR, np.full(COLOUR.shape[:2], 255, np.uint8)])
    path = written(tmp_path / f"a{suffix}", opaque)
    np.testing.assert_array_equal(read_finished(path), COLOUR)
    opaque[3, 4, 3] = 200
    written(path, opaque)
    with pytest.raises(ValueError, match=rf"a{suffix} has an opacity channel: got 0.5% of it"):
        read_finished(path)


def test_what_is_no_picture_is_named(tmp_path: Path) -> None:
    """As by the plain reader."""
    path = tmp_path / "a.png"
    path.write_bytes(BytesIO(b"nothing").getvalue())
    with pytest.raises(ValueError, match=r"a\.png cannot be read as a picture"):
        read_finished(path)
