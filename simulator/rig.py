"""The camera, its lens and its sensor, as frozen, validated values."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass

from .data import find_data_file, load_toml, validate

STRICT = ConfigDict(extra="forbid", allow_inf_nan=False)


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Lens:
    """A lens at one focus setting, by its first-order optics.

    Parameters
    ----------
    focal_length_mm : float
        Focal length, > 0.
    f_number : float
        Marked f-number: focal length over entrance-pupil diameter, > 0.
    magnification : float
        Image size over object size in the plane of focus, > 0.
    pupil_ratio : float
        Exit-pupil over entrance-pupil diameter; 1 for a symmetric lens.
    spherical_um : float
        Primary spherical aberration W040 at the edge of the pupil in use, um, about its best
        focus. Positive makes the blur before the focus harder-edged than behind it.
    axial_colour_mm : (red, green, blue)
        How much farther than nominal each channel is in focus, mm on the subject's side.
    field_curvature_per_mm : float
        Curvature of the surface in focus: it lies farther by this times half the square of the
        distance from the axis, both on the subject's side.
    vignetting_stops : float
        Light lost at the corners of the whole sensor, stops, beside what a rim cuts off.
    blades : int
        Blades of the diaphragm: 3 to 24, or 0 for a round pupil. The marked f-number is that of
        the round pupil of the same area.
    blade_roundness : float
        Curvature of a blade's edge over that of the circle through the corners: 0 straight, 1
        round.
    blade_angle_deg : float
        By how much a corner is turned clockwise from straight up, seen from behind the camera.
    cutoff_radius_mm : float
        Radius of a rim before or behind the diaphragm, as its outline shows on the entrance pupil
        of a lens that is looked into; it clips the pupil. 0: there is none.
    cutoff_shift : float
        How far that outline moves over the entrance pupil, mm for each mm of image height: to the
        other side of the axis than the subject's point for a rim before the diaphragm, +; to the
        same side, -, for one behind it.
    """

    focal_length_mm: float = Field(gt=0)
    f_number: float = Field(gt=0)
    magnification: float = Field(gt=0)
    pupil_ratio: float = Field(default=1.0, gt=0)
    spherical_um: float = 0.0
    axial_colour_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    field_curvature_per_mm: float = 0.0
    vignetting_stops: float = Field(default=0.0, ge=0)
    blades: int = Field(default=0, ge=0, le=24)
    blade_roundness: float = Field(default=0.0, ge=0, le=1)
    blade_angle_deg: float = 0.0
    cutoff_radius_mm: float = Field(default=0.0, ge=0)
    cutoff_shift: float = 0.0

    def __post_init__(self) -> None:
        if self.blades in (1, 2):
            raise ValueError(f"blades: got {self.blades}, allowed 0 (a round pupil) or 3 to 24")
        if self.cutoff_shift != 0 and self.cutoff_radius_mm == 0:
            raise ValueError(
                f"cutoff_shift: got {self.cutoff_shift:g} without a cutoff_radius_mm, allowed with "
                "one above 0"
            )


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Sensor:
    """The real sensor; crops and binning are asked for at render time.

    Parameters
    ----------
    width_px, height_px : int
        Size of the whole sensor.
    pitch_um : float
        Distance between pixel centres, um.
    full_well_e : float
        Electrons at which a pixel saturates at base ISO.
    read_noise_e : float
        Read noise, electrons rms.
    bits : int
        Bits of the analogue-to-digital converter, 8 to 16.
    black_level_dn : float
        Digital number of no light.
    prnu : float
        Photo response non-uniformity, standard deviation over the mean response.
    dsnu_e : float
        Dark signal non-uniformity, electrons rms.
    """

    width_px: int = Field(gt=0)
    height_px: int = Field(gt=0)
    pitch_um: float = Field(gt=0)
    full_well_e: float = Field(default=45_000.0, gt=0)
    read_noise_e: float = Field(default=3.0, ge=0)
    bits: int = Field(default=14, ge=8, le=16)
    black_level_dn: float = Field(default=64.0, ge=0)
    prnu: float = Field(default=0.005, ge=0)
    dsnu_e: float = Field(default=0.5, ge=0)


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Rig:
    """A lens on a sensor, with the wavelengths that stand for the colour channels.

    Parameters
    ----------
    name, title : str
        For tables and people; in a file of its own the name is the file's if left out.
    lens : Lens
        At one setting.
    sensor : Sensor
        The whole of it.
    wavelengths_um : tuple of three tuples of float
        Wavelengths sampled in the red, green and blue channel, equal weights, um.
    """

    name: str
    title: str = ""
    lens: Lens
    sensor: Sensor
    wavelengths_um: tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]] = (
        (0.58, 0.61, 0.64),
        (0.51, 0.54, 0.57),
        (0.44, 0.46, 0.49),
    )


def load_rig(name_or_path: str | Path) -> Rig:
    """Load a rig by the name of a shipped one, or from a TOML file.

    Parameters
    ----------
    name_or_path : str or Path
        Name of a shipped rig (``stacktruth list``), or the path of a .toml file.

    Raises
    ------
    simulator.data.DataFileError
        Unknown name, broken TOML, or a key or value that is not allowed.

    Examples
    --------
    >>> rig = load_rig("field-2x")
    >>> rig.lens.magnification, rig.sensor.pitch_um
    (2.0, 3.9)
    """
    path = find_data_file(name_or_path, kind="rig")
    values = {"name": path.stem, **load_toml(path)}
    return validate(Rig, values, where=path)


def stopped_to(rig: Rig, f_number: float) -> Rig:
    """Return the same rig at another marked f-number.

    Parameters
    ----------
    rig : Rig
        Lens and sensor with their setting.
    f_number : float
        Marked, > 0.
    """
    return replace(rig, lens=replace(rig.lens, f_number=f_number))


def plain_rig(rig: Rig) -> Rig:
    """Return the same rig with a lens free of vignetting and of aberrations that spread a point.

    Parameters
    ----------
    rig : Rig
        Lens and sensor with their setting.
    """
    lens = replace(
        rig.lens,
        spherical_um=0.0,
        axial_colour_mm=(0.0, 0.0, 0.0),
        vignetting_stops=0.0,
    )
    return replace(rig, lens=lens)
