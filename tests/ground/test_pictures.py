"""Picture files come back as they were, and pillow and scikit-image read the same."""

import io as stdio

import numpy as np
import pytest
import tifffile
from PIL import Image as PillowImage
from skimage import io

from stacktruth.ground.pictures import (
    decode_image,
    encode_image,
    encode_map,
    read_image,
    write_copy,
)

COLOUR = np.random.default_rng(3).integers(0, 65536, (13, 17, 3), dtype=np.uint16)
GREY = COLOUR[..., 0]


@pytest.mark.parametrize("suffix", [".tif", ".png"])
@pytest.mark.parametrize("image", [COLOUR, GREY, COLOUR.astype(np.uint8)])
def test_lossless_files_come_back_and_scikit_image_reads_the_same(tmp_path, suffix, image):
    """Type, shape and every value; from the file as from its bytes."""
    path = tmp_path / f"a{suffix}"
    path.write_bytes(encode_image(image, suffix))
    for found in (read_image(path), decode_image(path.read_bytes(), suffix)):
        assert found.dtype == image.dtype
        np.testing.assert_array_equal(found, image)
    if image.ndim == 2 or image.dtype == np.uint8:  # its reader of PNG knows no 16-bit colour
        np.testing.assert_array_equal(io.imread(path), image)


@pytest.mark.parametrize("suffix", [".tif", ".png", ".TIFF"])
def test_a_copy_holds_the_same_values(tmp_path, suffix):
    """What is compressed little loses nothing."""
    write_copy(tmp_path / f"a{suffix}", COLOUR)
    np.testing.assert_array_equal(read_image(tmp_path / f"a{suffix}"), COLOUR)


def test_maps_of_floats_come_back_with_their_holes(tmp_path):
    """NaN too; compressed without loss."""
    image = np.where(GREY > 9000, GREY / 7, np.nan).astype(np.float32)
    (tmp_path / "a.tif").write_bytes(encode_map(image))
    np.testing.assert_array_equal(read_image(tmp_path / "a.tif"), image)
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "a.tif"), image)


def test_jpeg_frames_keep_their_colours_at_full_resolution(tmp_path):
    """Pillow reads sampling 4:4:4 from a frame and 4:2:0 from a copy."""
    image = COLOUR.astype(np.uint8)
    write_copy(tmp_path / "a.jpg", image)
    sampled = []
    for data in (encode_image(image, ".jpg"), (tmp_path / "a.jpg").read_bytes()):
        with PillowImage.open(stdio.BytesIO(data)) as picture:
            sampled.append(picture.layer[0][1:3])
    assert sampled == [(1, 1), (2, 2)]


def test_opacity_is_left_out(tmp_path):
    """A fourth channel says nothing of light."""
    four = np.dstack([COLOUR, GREY]).astype(np.uint8)
    PillowImage.fromarray(four).save(tmp_path / "a.png")
    np.testing.assert_array_equal(read_image(tmp_path / "a.png"), four[..., :3])


@pytest.mark.parametrize("suffix", [".tif", ".png", ".jpg"])
def test_a_file_that_is_cut_off_is_named(tmp_path, suffix):
    """It is a ValueError, whatever the decoder calls it."""
    path = tmp_path / f"a{suffix}"
    data = encode_image(COLOUR.astype(np.uint8), suffix)
    # In the head of a JPEG: what is missing of its picture its decoder takes to be grey.
    path.write_bytes(data[: 20 if suffix == ".jpg" else len(data) // 2])
    with pytest.raises(ValueError, match=rf"^a\{suffix} cannot be read as a picture: "):
        read_image(path)
    with pytest.raises(ValueError, match=r"^cannot be read as a picture: "):
        decode_image(path.read_bytes(), suffix)


def test_other_endings_are_refused_and_the_known_ones_named(tmp_path):
    """For reading and for writing."""
    (tmp_path / "a.gif").write_bytes(b"GIF89a")
    for wrong in (
        lambda: read_image(tmp_path / "a.gif"),
        lambda: encode_image(COLOUR, ".gif"),
        lambda: write_copy(tmp_path / "b.gif", COLOUR),
    ):
        with pytest.raises(
            ValueError, match=r"got suffix '.gif', allowed one of .tif, .tiff, .png, .j"
        ):
            wrong()
    assert not (tmp_path / "b.gif").exists()


def test_a_missing_file_stays_a_missing_file(tmp_path):
    """The system's own error, for callers that tell it from a broken picture."""
    for name in ("a.tif", "a.png", "a.jpg"):
        with pytest.raises(FileNotFoundError):
            read_image(tmp_path / name)


@pytest.mark.parametrize("data", [b"nothing", b"\x89PNG\r\n\x1a\n" + bytes(40)])
def test_what_is_told_of_a_broken_picture_names_no_object(data: bytes) -> None:
    """No address in memory, and no words of Python."""
    with pytest.raises(ValueError, match="cannot be read as a picture") as caught:
        decode_image(data, ".png")
    assert " at 0x" not in str(caught.value)
