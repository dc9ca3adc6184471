"""A picture made elsewhere: read only where its values mean what a frame's values mean."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import numpy as np
import tifffile
from PIL import Image as Pillow
from PIL import ImageCms

from .pictures import encoded_channels, read_image
from .types import Image

_TIFF_PROFILE = 34675  # the tag of an ICC profile, TIFF Technical Note of ICC.1:2022, annex B
_SAME_COLOUR = 3  # levels of 255 by which two profiles for the same colours may differ
_LEVELS = np.linspace(0, 255, 9).round().astype(np.uint8)


def read_finished(path: str | Path) -> Image:
    """Read a merged picture as it is.

    Raises
    ------
    ValueError
        It is cut off or no picture; it is partly transparent, so that its colours depend on what
        is behind it; or its colour profile is not sRGB's, so that its values are other colours.
    OSError
        It cannot be read.
    """
    path = Path(path)
    image = read_image(path)
    whole = encoded_channels(path)
    if whole.ndim == 3 and whole.shape[2] in (2, 4):
        opacity = whole[..., -1]
        full = np.iinfo(opacity.dtype).max if opacity.dtype.kind == "u" else 1
        clear = float(np.mean(opacity < full))
        if clear:
            raise ValueError(
                f"{path.name} has an opacity channel, and {clear:.1%} of it is not opaque: "
                "save the picture without it"
            )
    profile = profile_of(path)
    if profile is not None and not is_srgb(profile):
        raise ValueError(
            f"{path.name} has the colour profile {_name_of(profile)!r}: "
            "save the picture as sRGB, or without a profile if its values are sRGB's"
        )
    return image


def profile_of(path: Path) -> bytes | None:
    """Return the ICC profile that a picture file carries, or None."""
    if path.suffix.lower() in (".tif", ".tiff"):
        with tifffile.TiffFile(path) as file:
            tag = file.pages[0].tags.get(_TIFF_PROFILE)  # type: ignore[union-attr]
            return bytes(tag.value) if tag else None
    with Pillow.open(path) as file:
        return file.info.get("icc_profile")


def is_srgb(profile: bytes) -> bool:
    """Whether colours in this ICC profile are sRGB's, by trying a cube of them."""
    colours = np.stack(np.meshgrid(_LEVELS, _LEVELS, _LEVELS), axis=-1).reshape(1, -1, 3)
    try:
        shown = ImageCms.profileToProfile(
            Pillow.fromarray(colours),
            ImageCms.ImageCmsProfile(BytesIO(profile)),
            ImageCms.createProfile("sRGB"),
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
            outputMode="RGB",
        )
    except (
        ImageCms.PyCMSError,
        OSError,
    ):  # a profile of other than three channels, or a broken one
        return False
    difference = np.asarray(shown).astype(int) - colours.astype(int)
    return int(np.abs(difference).max()) <= _SAME_COLOUR


def _name_of(profile: bytes) -> str:
    try:
        return ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(BytesIO(profile))).strip()
    except (ImageCms.PyCMSError, OSError):
        return "that cannot be read"
