"""A picture made elsewhere: read only where its values mean what a frame's values mean."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import numpy as np
import tifffile
from PIL import Image as Pillow
from PIL import ImageCms

from .pictures import encoded_channels, without_opacity
from .text import plain_line
from .types import Image

_TIFF_PROFILE = 34675  # the tag of an ICC profile, TIFF Technical Note of ICC.1:2022, annex B
_LARGEST_PROFILE = 1 << 24  # bytes
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
    return finished(path.read_bytes(), path.name)


def finished(data: bytes, name: str) -> Image:
    """Return the merged picture that the bytes of a file hold, as `read_finished` does.

    Parameters
    ----------
    data : bytes
    name : str
        Of the file: its ending says what it is.

    Raises
    ------
    ValueError
    """
    suffix = Path(name).suffix.lower()
    try:
        whole = encoded_channels(data, suffix)
        profile = profile_of(data, suffix)
    except ValueError as error:
        raise ValueError(f"{name} {error}") from error
    if whole.ndim == 3 and whole.shape[2] in (2, 4):
        opacity = whole[..., -1]
        full = np.iinfo(opacity.dtype).max if opacity.dtype.kind == "u" else 1
        clear = float(np.mean(opacity < full))
        if clear:
            raise ValueError(
                f"{name} has an opacity channel: got {clear:.1%} of it not opaque, allowed none; "
                "save the picture without it"
            )
    if profile is not None and not is_srgb(profile):
        raise ValueError(
            f"{name}: got the colour profile {_name_of(profile)!r}, allowed sRGB's or none; "
            "save the picture as sRGB, or without a profile if its values are sRGB's"
        )
    return without_opacity(whole)


def profile_of(data: bytes, suffix: str) -> bytes | None:
    """Return the ICC profile that a picture file carries, or None.

    Raises
    ------
    ValueError
        It cannot be found out.
    """
    try:
        if suffix in (".tif", ".tiff"):
            with tifffile.TiffFile(BytesIO(data)) as file:
                tag = file.pages[0].tags.get(_TIFF_PROFILE)  # type: ignore[union-attr]
                return bytes(tag.value)[:_LARGEST_PROFILE] if tag else None
        with Pillow.open(BytesIO(data)) as file:
            found = file.info.get("icc_profile")
            return None if found is None else bytes(found)[:_LARGEST_PROFILE]
    except Exception as error:  # decoders raise many kinds on a broken file
        detail = plain_line(str(error), longest=100)
        raise ValueError(
            f"has a colour profile that cannot be read: got {detail!r}, allowed an ICC "
            "profile or none"
        ) from error


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
        told = ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(BytesIO(profile)))
        return plain_line(told, longest=80)
    except (ImageCms.PyCMSError, OSError):
        return "that cannot be read"
