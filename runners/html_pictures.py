"""Pictures that are part of a page of HTML, not files beside it."""

from __future__ import annotations

from base64 import b64encode
from io import BytesIO
from typing import TYPE_CHECKING

from ..ground.pictures import encode_image
from ..ground.types import Codes

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Dots per inch of figures.
_DPI = 150


def as_png(figure: Figure) -> str:
    """Return a figure as the address of a picture that is part of the page."""
    file = BytesIO()
    figure.savefig(file, format="png", dpi=_DPI)
    return _address("png", file.getvalue())


def as_jpeg(picture: Codes) -> str:
    """Return a picture, 8-bit sRGB, as an address that holds it."""
    return _address("jpeg", encode_image(picture, ".jpg"))


def _address(kind: str, data: bytes) -> str:
    return f"data:image/{kind};base64,{b64encode(data).decode('ascii')}"
