"""How sharp the whole depth has to be, and the depth that one frame holds that sharp."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite
from typing import Literal

from scipy.optimize import brentq

from ....simulator.optics import DepthOfField, depth_of_field_mm
from ....simulator.rig import Rig, Sensor
from ....simulator.transfer import disc_otf, otf_depth_of_field_mm

#: A blur limit is also told as the contrast of detail with so many cycles across the blur disc.
_CYCLES_PER_DISC = 0.5
#: What a picture is for.
Use = Literal["screen", "print", "crop100"]
#: Disc that the eye takes for a point at the distance of reading: common practice, no source.
_POINT_MM, _READING_MM = 0.2, 250.0
#: Smallest blur disc that is asked for, pixels (our choice).
_LEAST_BLUR_PX = 2.0
#: Cycles across a blur disc of the first detail that the disc wipes out: j(1,1) / pi.
_FIRST_ZERO = 1.2196698912665045


@dataclass(frozen=True, slots=True, kw_only=True)
class Sharpness:
    """The least sharpness wanted anywhere in the depth, as a blur disc and as contrast.

    Both say the same for a lens without diffraction: the detail of the stated frequency keeps
    the stated share of its in-focus contrast under a blur disc of the stated size.

    Parameters
    ----------
    blur_px : float
        Diameter of the blur disc on the sensor, px.
    frequency_cy_per_px : float
        Frequency of the detail on the sensor, cycles per pixel.
    contrast_share : float
        Share of its in-focus contrast that the detail keeps, 0 to 1.
    measured_by : {"blur", "contrast"}
        Which of the two the photographer asked for; the depth of field follows from it.
    """

    blur_px: float
    frequency_cy_per_px: float
    contrast_share: float
    measured_by: Literal["blur", "contrast"]


def blur_limit(blur_px: float) -> Sharpness:
    """Return the sharpness whose blur disc is at most `blur_px` wide.

    Raises
    ------
    ValueError
        The blur is not finite or not > 0.
    """
    if not (isfinite(blur_px) and blur_px > 0):
        raise ValueError(f"blur_px must be finite and > 0, got {blur_px!r}")
    frequency = _CYCLES_PER_DISC / blur_px
    return Sharpness(
        blur_px=blur_px,
        frequency_cy_per_px=frequency,
        contrast_share=float(disc_otf(frequency, blur_px)),
        measured_by="blur",
    )


def contrast_limit(contrast_share: float, *, frequency_cy_per_px: float) -> Sharpness:
    """Return the sharpness at which detail keeps a share of the contrast it has in focus.

    Parameters
    ----------
    contrast_share : float
        Between 0 and 1, both excluded.
    frequency_cy_per_px : float
        Frequency of the detail on the sensor, cycles per pixel, > 0 and at most 0.5.

    Raises
    ------
    ValueError
        A value out of its range.
    """
    if not 0 < contrast_share < 1:
        raise ValueError(f"contrast_share must be > 0 and < 1, got {contrast_share!r}")
    if not 0 < frequency_cy_per_px <= 0.5:
        raise ValueError(f"frequency_cy_per_px must be > 0 and <= 0.5, got {frequency_cy_per_px!r}")
    cycles = brentq(lambda x: float(disc_otf(x, 1.0)) - contrast_share, 1e-6, _FIRST_ZERO)
    return Sharpness(
        blur_px=float(cycles) / frequency_cy_per_px,
        frequency_cy_per_px=frequency_cy_per_px,
        contrast_share=contrast_share,
        measured_by="contrast",
    )


def sharpness_for(use: Use, sensor: Sensor, *, width_cm: float | None = None) -> Sharpness:
    """Return the circle of confusion that a use of the pictures allows on a sensor.

    Parameters
    ----------
    use : {"screen", "print", "crop100"}
        A whole picture that fills a screen, seen from as far as the screen is wide; a whole
        picture as a print, seen from 25 cm; a crop at 100 %, every pixel to be seen.
    sensor : Sensor
    width_cm : float or None
        Width of the print, > 0; for no other use.

    Raises
    ------
    ValueError
        A print without a width, or a width for another use.

    Notes
    -----
    The eye takes a disc of 0.2 mm at 25 cm for a point: common practice, no source. On the sensor
    it is smaller by as much as the picture is enlarged, so it goes with the sensor's width: 30 um
    is that of a sensor 36 mm wide and a print 24 cm wide. Finer than the pixels are nothing is
    seen: no circle is smaller than 2 px, for a sensor that sees one colour a pixel (our choice).

    Examples
    --------
    >>> import stacktruth
    >>> sensor = stacktruth.load_rig("field-2x").sensor
    >>> screen = sharpness_for("screen", sensor)
    >>> round(screen.blur_px * sensor.pitch_um)
    19
    """
    if (use == "print") != (width_cm is not None):
        raise ValueError(f"a print needs its width, and no other use has one; got {use}")
    least = blur_limit(_LEAST_BLUR_PX)
    if use == "crop100":
        return least
    seen_mm, shown_mm = _POINT_MM, 10 * width_cm if width_cm else 0.0
    if use == "screen":  # of any width: what the eye takes for a point grows with the distance
        seen_mm, shown_mm = _POINT_MM / _READING_MM, 1.0
    blur_px = sensor.width_px * seen_mm / shown_mm
    return blur_limit(max(blur_px, _LEAST_BLUR_PX))


def lane_of(rig: Rig, sharpness: Sharpness) -> DepthOfField:
    """Return the depth that one frame holds as sharp as wanted, about its plane of focus.

    Raises
    ------
    ValueError
        Contrast is asked of detail that the lens does not show even in focus, or the depth has no
        end.
    """
    if sharpness.measured_by == "blur":
        lane = depth_of_field_mm(rig, blur_um=sharpness.blur_px * rig.sensor.pitch_um)
    else:
        lane = otf_depth_of_field_mm(
            rig,
            frequency_cy_per_px=sharpness.frequency_cy_per_px,
            contrast_share=sharpness.contrast_share,
        )
    if lane.far_mm == inf:
        raise ValueError("the depth of field has no end at this blur: one frame holds all")
    return lane
