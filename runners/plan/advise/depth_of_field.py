"""Three depths of field of one lens, side by side, and why they differ."""

from __future__ import annotations

from dataclasses import dataclass

from ....simulator.optics import depth_of_field_mm, quarter_wave_depth_mm, rig_f_number
from ....simulator.rig import Rig
from ....simulator.transfer import GREEN, otf_depth_of_field_mm, polychromatic_otf
from ..draw.sharpness import Sharpness

#: Defocus at the pupil's edge, waves, below which diffraction rules the blur.
_DIFFRACTION_RULES = 0.25
#: And above which defocus does.
_DEFOCUS_RULES = 1.0
#: In-focus contrast below which detail is not worth asking for.
_FAINT = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class DepthFigures:
    """Three total depths of field of a lens, mm.

    Parameters
    ----------
    geometric_mm : float
        Where the blur disc is within its limit; light taken as rays.
    quarter_wave_mm : float
        Where the wavefront is off by a quarter wave at most, however sharp a picture is wanted.
    contrast_mm : float or None
        Where detail keeps its share of contrast with diffraction and defocus together; None when
        the lens does not show that detail even in focus.
    edge_waves : float
        Defocus at the ends of the geometric depth, waves at the edge of the pupil.
    reason : str
        Why they differ, in words.
    """

    geometric_mm: float
    quarter_wave_mm: float
    contrast_mm: float | None
    edge_waves: float
    reason: str


def depth_figures(rig: Rig, sharpness: Sharpness) -> DepthFigures:
    """Return the three depths of field of a lens at a wanted sharpness."""
    blur_um = sharpness.blur_px * rig.sensor.pitch_um
    wavelengths = rig.wavelengths_um[GREEN]
    wavelength_um = sum(wavelengths) / len(wavelengths)
    contrast_mm = _contrast_depth_mm(rig, sharpness)
    edge_waves = blur_um / (8 * rig_f_number(rig) * wavelength_um)
    return DepthFigures(
        geometric_mm=depth_of_field_mm(rig, blur_um=blur_um).total_mm,
        quarter_wave_mm=quarter_wave_depth_mm(rig, wavelength_um=wavelength_um),
        contrast_mm=contrast_mm,
        edge_waves=edge_waves,
        reason=_reason(edge_waves, in_focus_contrast(rig, sharpness.frequency_cy_per_px)),
    )


def in_focus_contrast(rig: Rig, frequency_cy_per_px: float) -> float:
    """Return the contrast that the lens alone, without the pixel, leaves detail in focus, 0..1."""
    return float(polychromatic_otf(rig, frequency_cy_per_px))


def _contrast_depth_mm(rig: Rig, sharpness: Sharpness) -> float | None:
    if in_focus_contrast(rig, sharpness.frequency_cy_per_px) <= 0:
        return None
    depth = otf_depth_of_field_mm(
        rig,
        frequency_cy_per_px=sharpness.frequency_cy_per_px,
        contrast_share=sharpness.contrast_share,
    )
    return depth.total_mm


def _reason(edge_waves: float, in_focus: float) -> str:
    size = f"At the ends of the geometric depth the defocus is {edge_waves:.2f} waves"
    if in_focus <= 0:
        return (
            f"{size}. Diffraction alone wipes out the detail asked for at this f-number, so no "
            "depth holds it: open the aperture or ask for less."
        )
    if in_focus < _FAINT:
        return (
            f"{size}. Diffraction leaves the detail asked for {100 * in_focus:.1f} % of its "
            "contrast even in focus: a depth that holds a share of so little means nothing. Open "
            "the aperture or ask for coarser detail."
        )
    if edge_waves < _DIFFRACTION_RULES:
        return (
            f"{size}: less than a quarter. Diffraction rules, and softens the plane of focus "
            "itself; a blur disc this small cannot be told from it, so the geometric figure is "
            "too strict."
        )
    if edge_waves < _DEFOCUS_RULES:
        return (
            f"{size}: diffraction and defocus are of one size. The blur disc knows nothing of "
            "diffraction, the quarter wave nothing of how sharp a picture is wanted; the "
            "contrast figure counts both."
        )
    return (
        f"{size}: defocus rules. The blur disc and the contrast figure agree; the quarter wave "
        "asks for more than the picture needs."
    )
