"""What is wrong with the exposure and the colours of a result, in columns and in words."""

from __future__ import annotations

import numpy as np

from ... import metrics
from ...ground.srgb import luma
from ...ground.types import Bools, Doubles, Floats
from ...metrics.registration.gain import FORGIVEN_COLOUR_STOPS, FORGIVEN_STOPS
from ...simulator.shooting.any_shoot import AnyShoot
from ..contract import InvalidOutput

#: A scene with less colour than this, RMS over that of its brightness, may be shown in grey.
_COLOURED = 0.03
#: A picture with less than this share of the scene's colour is all but grey.
_GREY_SHARE = 0.25
_CHARGED_STOPS = 0.01  # below this a gain beyond what is forgiven is not worth a word
#: Bits of values that are handed in where 16 are expected, so that white is a small value.
_FEWER_BITS = (8, 10, 12, 14)
#: Dark and bright levels of a picture: shares of the pixels that lie below.
_DARK_SHARE, _BRIGHT_SHARE = 0.25, 0.85
#: The picture's bright levels lie below the scene's by the factor of the bits, but for exposure,
#: and the dark ones by no larger one (by less, where blur has brightened them). Of a picture that
#: is short of light the dark ones do, on the sRGB curve.
_THAT_FACTOR, _DARKER = 1.3, 1.15
_NAMES = ("red", "green", "blue")


def frame_gains(shoot: AnyShoot) -> Doubles:
    """Return the light of each usable frame over the nominal light, shape (frames, 3)."""
    gains = [record.gains for record in shoot.records if record.usable]
    return np.array(gains or [(1.0, 1.0, 1.0)])


def refuse_wrong_scale(encoded: Floats, ideal: Floats, *, mask: Bools) -> None:
    """Refuse a picture whose values have fewer bits than the scale that they are handed in.

    Parameters
    ----------
    encoded, ideal : array (rows, cols, 3)
        The result as it was handed in, and the ideal picture, sRGB-encoded 0..1.
    mask : array (rows, cols) of bool
        Pixels to go by.

    Raises
    ------
    InvalidOutput
        With a sentence for the method's author.
    """
    top = float(encoded.max())
    bits = next((few for few in _FEWER_BITS if 0 < top * 65535 <= 2**few - 0.5), None)
    if bits is None or not mask.any():
        return
    levels = (_DARK_SHARE, _BRIGHT_SHARE)
    own, wanted = (np.quantile(luma(image)[mask], levels) for image in (encoded, ideal))
    dark, bright = wanted / np.maximum(own, 1e-9) / 2 ** (16 - bits)
    if dark < _DARKER * bright and 1 / _THAT_FACTOR < bright < _THAT_FACTOR:
        raise InvalidOutput(
            f"the picture's largest value is {round(top * 65535)} of 65535: it holds values of "
            f"{bits} bits on a scale of 16, expected them scaled by {2 ** (16 - bits)}"
        )


def refuse_wrong_colours(seen: Floats, ideal: Floats, *, mask: Bools) -> None:
    """Refuse a grey picture of a coloured scene, and one with exchanged channels.

    Parameters
    ----------
    seen, ideal : array (rows, cols, 3)
        The result in the view of the ideal picture, sRGB-encoded 0..1.
    mask : array (rows, cols) of bool
        Pixels to go by.

    Raises
    ------
    InvalidOutput
        With a sentence for the method's author.
    """
    wanted = metrics.colourfulness(ideal, data_range=1.0, mask=mask)
    own = metrics.colourfulness(seen, data_range=1.0, mask=mask)
    if wanted > _COLOURED and own < _GREY_SHARE * wanted:
        raise InvalidOutput(
            f"the picture is grey, the frames are coloured: it has {own / wanted:.0%} of their "
            f"colour, at least {_GREY_SHARE:.0%} is needed"
        )
    order = metrics.exchanged_channels(seen, ideal, data_range=1.0, mask=mask)
    if order is not None:
        held = ", ".join(_NAMES[order.index(channel)] for channel in range(3))
        raise InvalidOutput(
            f"the picture's channels are exchanged: they hold {held}, expected red, green, blue"
        )


def exposure_columns(exposure: metrics.Exposure) -> dict[str, float | str]:
    """Return the columns of a row that tell of exposure, with a sentence where it is charged."""
    return {
        "gain_stops": exposure.gain_stops,
        "gain_colour_stops": exposure.colour_stops,
        "gain_charged_stops": exposure.charged_stops,
        "tone_exponent": exposure.exponent,
        "exposure_remark": _remark(exposure),
    }


def _remark(exposure: metrics.Exposure) -> str:
    if exposure.is_curved:
        return (
            f"wrong transfer curve: brightness goes with the light to the power of "
            f"{exposure.exponent:.2f}, no gain is forgiven"
        )
    if exposure.charged_stops < _CHARGED_STOPS:
        return ""
    needs = ", ".join(f"{stops:+.2f}" for stops in exposure.needs_stops)
    return (
        f"needs {needs} stops of red, green, blue; forgiven beyond the frames' own exposure: "
        f"{FORGIVEN_STOPS:.2f}, of one colour {FORGIVEN_COLOUR_STOPS:.2f}"
    )
