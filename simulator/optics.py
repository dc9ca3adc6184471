"""A close-up lens by its first-order optics: distances, working f-number, blur, depth of field.

The lens is a thin lens with pupils of finite size: the entrance pupil stands ``d`` before the plane
of focus, and the exit pupil is ``pupil_ratio`` times as wide. Distances are in object space, mm;
an *offset* is the distance of a point behind the plane of focus (positive = farther from the
camera), measured along the axis.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf, isfinite, log2

import numpy as np

from ..ground.types import Reals
from .rig import Rig


@dataclass(frozen=True, slots=True, kw_only=True)
class DepthOfField:
    """How far the depth of field reaches to either side of the plane of focus, in the object.

    Parameters
    ----------
    near_mm : float
        Reach toward the camera, mm, >= 0.
    far_mm : float
        Reach away from the camera, mm, >= 0; infinite from the hyperfocal setting on.
    """

    near_mm: float
    far_mm: float

    @property
    def total_mm(self) -> float:
        """Near and far reach together, mm."""
        return self.near_mm + self.far_mm


def pupil_distance_mm(
    focal_length_mm: float, magnification: float, *, pupil_ratio: float = 1.0
) -> float:
    """Distance from the entrance pupil to the plane of focus, mm: f (1/m + 1/p).

    Parameters
    ----------
    focal_length_mm : float
        Focal length f, mm, > 0.
    magnification : float
        Image size over object size m, > 0.
    pupil_ratio : float
        Exit-pupil over entrance-pupil diameter p, > 0.

    Raises
    ------
    ValueError
        A value is not finite or not > 0.
    """
    _require_positive(focal_length_mm=focal_length_mm)
    _require_positive(magnification=magnification, pupil_ratio=pupil_ratio)
    return focal_length_mm * (1.0 / magnification + 1.0 / pupil_ratio)


def working_f_number(f_number: float, magnification: float, *, pupil_ratio: float = 1.0) -> float:
    """F-number of the cone of light on the sensor: N (1 + m/p).

    Parameters
    ----------
    f_number : float
        Marked f-number N, > 0.
    magnification : float
        Image size over object size m, > 0.
    pupil_ratio : float
        Exit-pupil over entrance-pupil diameter p, > 0.

    Raises
    ------
    ValueError
        A value is not finite or not > 0.

    Examples
    --------
    >>> working_f_number(8.0, 1.0)
    16.0
    """
    _require_positive(f_number=f_number, magnification=magnification, pupil_ratio=pupil_ratio)
    return f_number * (1.0 + magnification / pupil_ratio)


def numerical_aperture(f_number: float, magnification: float, *, pupil_ratio: float = 1.0) -> float:
    """Sine of the half-angle of the cone on the object side, in air: m / (2 N_eff).

    Parameters
    ----------
    f_number : float
        Marked f-number, > 0.
    magnification : float
        Image size over object size, > 0.
    pupil_ratio : float
        Exit over entrance pupil, > 0.

    Raises
    ------
    ValueError
        One of them is not a finite number > 0.

    Examples
    --------
    >>> round(numerical_aperture(5.6, 2.0), 4)
    0.0595
    """
    working = working_f_number(f_number, magnification, pupil_ratio=pupil_ratio)
    return magnification / (2.0 * working)


def focus_distance_mm(rig: Rig) -> float:
    """Distance from the rig's entrance pupil to its plane of focus, mm: f (1/m + 1/p).

    Parameters
    ----------
    rig : Rig

    Examples
    --------
    >>> from stacktruth import load_rig
    >>> focus_distance_mm(load_rig("field-2x"))
    90.0
    """
    lens = rig.lens
    return pupil_distance_mm(lens.focal_length_mm, lens.magnification, pupil_ratio=lens.pupil_ratio)


def rig_f_number(rig: Rig) -> float:
    """Working f-number of a rig.

    Parameters
    ----------
    rig : Rig
        Lens and sensor with their setting.

    Examples
    --------
    >>> import stacktruth
    >>> round(rig_f_number(stacktruth.load_rig("field-2x")), 1)
    16.8
    """
    lens = rig.lens
    return working_f_number(lens.f_number, lens.magnification, pupil_ratio=lens.pupil_ratio)


def rig_aperture(rig: Rig) -> float:
    """Object-side numerical aperture of a rig.

    Parameters
    ----------
    rig : Rig
        Lens and sensor with their setting.
    """
    lens = rig.lens
    return numerical_aperture(lens.f_number, lens.magnification, pupil_ratio=lens.pupil_ratio)


def entrance_pupil_radius_mm(rig: Rig) -> float:
    """Radius of the entrance pupil, mm: f / (2 N).

    Parameters
    ----------
    rig : Rig
        Lens and sensor with their setting.
    """
    return rig.lens.focal_length_mm / (2.0 * rig.lens.f_number)


def cone_radius_mm(rig: Rig, depth_mm: float) -> float:
    """Radius of the cone of light from a point in focus, at a depth from the entrance pupil, mm.

    Parameters
    ----------
    rig : Rig
        Lens and sensor with their setting.
    depth_mm : float
        From the entrance pupil along the axis, mm.
    """
    return entrance_pupil_radius_mm(rig) * abs(1 - depth_mm / focus_distance_mm(rig))


def focal_length_px(rig: Rig, *, pitch_um: float) -> float:
    """Focal length of the pinhole that stands for the lens, pixels: m d / pitch.

    A point at x, z from the entrance pupil is seen this many times x / z from the middle.

    Parameters
    ----------
    rig : Rig
    pitch_um : float
        Distance between the picture's pixels on the sensor, um.
    """
    return rig.lens.magnification * focus_distance_mm(rig) * 1e3 / pitch_um


def field_sag_mm(rig: Rig, tangent_squared: float | Reals) -> float | Reals:
    """How much farther than the plane of focus a curved field is in focus, mm: (c/2) d^2 tan^2.

    Parameters
    ----------
    rig : Rig
    tangent_squared : float or array
        Square of the tangent of the angle to the optical axis, seen from the entrance pupil.
    """
    return rig.lens.field_curvature_per_mm / 2 * focus_distance_mm(rig) ** 2 * tangent_squared


def image_scale_px_per_mm(rig: Rig, *, focus_mm: float = 0.0) -> float:
    """Pixels per mm in the plane of focus, when the lens is focused `focus_mm` farther.

    Parameters
    ----------
    rig : Rig
        Lens and sensor with their setting.
    focus_mm : float
        How much farther than nominal the lens is focused, mm.

    Raises
    ------
    ValueError
        The lens cannot focus there (see `refocused`).

    Examples
    --------
    >>> import stacktruth
    >>> rig = stacktruth.load_rig("field-2x")
    >>> round(image_scale_px_per_mm(rig), 1), round(image_scale_px_per_mm(rig, focus_mm=1.0), 1)
    (512.8, 496.3)
    """
    lens = refocused(rig, focus_mm=focus_mm).lens
    return 1000.0 * lens.magnification / rig.sensor.pitch_um


def blur_diameter_um(rig: Rig, offset_mm: float | Reals) -> Reals:
    """Diameter on the sensor of the disc that a defocused point makes, um.

    Exact for a thin pupil (similar triangles): ``2 m NA |offset| / (1 + offset/d)``.

    Parameters
    ----------
    rig : Rig
    offset_mm : float or array
        Distance behind the plane of focus, mm, finite, > -d. NaN (nothing there) stays NaN.

    Returns
    -------
    array
        Diameter >= 0, same shape as `offset_mm`.

    Raises
    ------
    ValueError
        A point lies in or behind the entrance pupil, or at infinity.

    Examples
    --------
    A tenth of a mm behind the plane of focus, at twice life size and f/5.6 (working f/16.8):

    >>> from stacktruth import load_rig
    >>> round(float(blur_diameter_um(load_rig("field-2x"), 0.1)), 1)
    23.8
    """
    scale = 2000.0 * rig.lens.magnification * rig_aperture(rig)
    offset = _checked_offset_mm(rig, offset_mm)
    return scale * np.abs(offset / (1.0 + offset / focus_distance_mm(rig)))


def defocus_mm(rig: Rig, offset_mm: float | Reals) -> Reals:
    """Wavefront defocus W020 at the edge of the pupil, mm, signed as the offset.

    Paraxial: (NA^2 / 2) offset / (1 + offset/d). Over the wavelength it is the defocus in waves;
    8 N_eff times it is the blur diameter on the sensor.

    Parameters
    ----------
    rig : Rig
        Lens and sensor with their setting.
    offset_mm : float or array
        Of the point behind the plane of focus, mm; negative in front of it, beyond -d.

    Returns
    -------
    array
        Shape of the offsets, mm.

    Raises
    ------
    ValueError
        A point lies in or behind the entrance pupil.
    """
    return unchecked_defocus_mm(rig, _checked_offset_mm(rig, offset_mm))


def unchecked_defocus_mm(rig: Rig, offset_mm: Reals) -> Reals:
    """As `defocus_mm`, in the precision of the offsets, for whoever asks for many points.

    What it gives for a point in or behind the entrance pupil means nothing.

    Parameters
    ----------
    rig : Rig
        Lens and sensor with their setting.
    offset_mm : array
        Of the points behind the plane of focus, mm, in the precision wanted.
    """
    exact = offset_mm.dtype.type
    distance = exact(focus_distance_mm(rig))
    return exact(rig_aperture(rig)) ** 2 / 2 * offset_mm / (1 + offset_mm / distance)


def refocused(rig: Rig, *, focus_mm: float) -> Rig:
    """Return the rig with its lens focused `focus_mm` farther, the entrance pupil standing still.

    The thin lens gives d' = d + focus_mm and m' = 1 / (d'/f - 1/p); the marked f-number stays.

    Parameters
    ----------
    rig : Rig
        Lens and sensor with their setting.
    focus_mm : float
        How much farther, mm on the axis; negative is nearer.

    Raises
    ------
    ValueError
        The new plane of focus is nearer than the front focal plane, where no image forms.
    """
    lens = rig.lens
    distance = focus_distance_mm(rig) + focus_mm
    inverse = distance / lens.focal_length_mm - 1.0 / lens.pupil_ratio
    if not (isfinite(inverse) and inverse > 0.0):
        nearest = lens.focal_length_mm / lens.pupil_ratio - focus_distance_mm(rig)
        raise ValueError(
            f"rig {rig.name!r}: focus_mm must be finite and > {nearest:.6g} "
            f"(the front focal plane), got {focus_mm!r}"
        )
    # The inverse of an inverse loses the last bit; a lens left alone must stay exactly itself.
    magnification = lens.magnification if focus_mm == 0.0 else 1.0 / inverse
    return replace(rig, lens=replace(lens, magnification=magnification))


def depth_of_field_mm(rig: Rig, *, blur_um: float) -> DepthOfField:
    """Geometric depth of field: where the blur disc is at most `blur_um` wide. No diffraction.

    Exact for a thin pupil: with h = c N_eff / m^2 the reach is h / (1 + h/d) in front and
    h / (1 - h/d) behind; together very nearly the handbooks' 2 c N_eff / m^2.

    Parameters
    ----------
    rig : Rig
    blur_um : float
        Largest blur disc on the sensor c, um, > 0.

    Returns
    -------
    DepthOfField
        ``near_mm`` toward the camera, ``far_mm`` away from it, and ``total_mm``.

    Examples
    --------
    >>> from stacktruth import load_rig
    >>> round(depth_of_field_mm(load_rig("field-2x"), blur_um=30.0).total_mm, 3)
    0.252
    """
    _require_positive(blur_um=blur_um)
    symmetric = blur_um * 1e-3 * rig_f_number(rig) / rig.lens.magnification**2
    return reach(rig, symmetric)


def reach(rig: Rig, reduced_offset_mm: float) -> DepthOfField:
    """Turn a reduced offset into the offsets that have it, near and far.

    The reduced offset is ``|offset| / (1 + offset/d)``.
    Blur and defocus go with the reduced offset, so this is how a limit on either becomes depth.

    Parameters
    ----------
    rig : Rig
        Lens and sensor with their setting.
    reduced_offset_mm : float
        >= 0, mm.
    """
    share = reduced_offset_mm / focus_distance_mm(rig)
    far = reduced_offset_mm / (1.0 - share) if share < 1.0 else inf
    return DepthOfField(near_mm=reduced_offset_mm / (1.0 + share), far_mm=far)


def quarter_wave_depth_mm(rig: Rig, *, wavelength_um: float = 0.55) -> float:
    """Total depth, mm, within which the wavefront at the pupil edge is off by a quarter wave.

    At its ends the peak of the point image has sunk to 0.81 (see `simulator.transfer.strehl`).
    See `wave_depth_mm` for the formula.

    Parameters
    ----------
    rig : Rig
    wavelength_um : float
        In vacuum, um, > 0.

    Examples
    --------
    >>> from stacktruth import load_rig
    >>> round(quarter_wave_depth_mm(load_rig("field-2x")), 3)
    0.155
    """
    return wave_depth_mm(rig_aperture(rig), wavelength_um=wavelength_um)


def wave_depth_mm(
    numerical_aperture: float, *, wavelength_um: float = 0.55, refractive_index: float = 1.0
) -> float:
    """Total quarter-wave depth of a numerical aperture, mm: n lambda / NA^2.

    Parameters
    ----------
    numerical_aperture : float
        Object-side numerical aperture, > 0 and at most the refractive index.
    wavelength_um : float
        Wavelength in vacuum, um, > 0.
    refractive_index : float
        Of the medium the object is in, > 0.

    Raises
    ------
    ValueError
        A value is not finite or out of range.
    """
    _require_positive(numerical_aperture=numerical_aperture)
    _require_positive(wavelength_um=wavelength_um, refractive_index=refractive_index)
    if numerical_aperture > refractive_index:
        raise ValueError(
            f"numerical_aperture must be at most the refractive index {refractive_index:.6g}, "
            f"got {numerical_aperture!r}"
        )
    return 1e-3 * refractive_index * wavelength_um / numerical_aperture**2


def scale_change(rig: Rig, step_mm: float) -> float:
    """Relative growth of the image of a point in focus when the camera steps toward it.

    Exact for a moving camera with a fixed focus setting: step / (d - step), about step / d.

    Parameters
    ----------
    rig : Rig
    step_mm : float
        Advance of the camera, mm, < d; negative to step back.

    Raises
    ------
    ValueError
        The step is not finite, or takes the entrance pupil to the point or past it.

    Examples
    --------
    >>> import stacktruth
    >>> round(scale_change(stacktruth.load_rig("field-2x"), 0.1), 5)
    0.00111
    """
    distance = focus_distance_mm(rig)
    if not (isfinite(step_mm) and step_mm < distance):
        raise ValueError(
            f"rig {rig.name!r}: step_mm must be finite and < {distance:.6g} "
            f"(the distance to the plane of focus), got {step_mm!r}"
        )
    return step_mm / (distance - step_mm)


def exposure_loss_stops(magnification: float, *, pupil_ratio: float = 1.0) -> float:
    """Light lost on the sensor against a far subject at the same marked f-number, stops.

    The square of `working_f_number` carries the loss.

    Parameters
    ----------
    magnification : float
        Image size over object size, > 0.
    pupil_ratio : float
        Exit over entrance pupil, > 0.

    Raises
    ------
    ValueError
        One of them is not a finite number > 0.

    Examples
    --------
    >>> exposure_loss_stops(1.0), round(exposure_loss_stops(2.0), 2)
    (2.0, 3.17)
    """
    return 2.0 * log2(working_f_number(1.0, magnification, pupil_ratio=pupil_ratio))


def _checked_offset_mm(rig: Rig, offset_mm: float | Reals) -> Reals:
    offset = np.asarray(offset_mm)
    if not np.issubdtype(offset.dtype, np.floating):
        offset = offset.astype(np.float64)
    distance = focus_distance_mm(rig)
    bad = (offset <= -distance) | np.isinf(offset)
    if np.any(bad):
        raise ValueError(
            f"rig {rig.name!r}: offset_mm must be finite and > {-distance:.6g} "
            f"(the entrance pupil), got {float(offset[bad][0]):.6g}"
        )
    return offset


def _require_positive(**values: float) -> None:
    for name, value in values.items():
        if not (isfinite(value) and value > 0.0):
            raise ValueError(f"{name} must be finite and > 0, got {value!r}")
