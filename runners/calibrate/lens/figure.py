"""A figure of a measured lens: contrast through focus, and focus over the field."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ...figures import plain_text
from .agreement import GREEN
from .measure import LensCalibration

_BANDS = 4
_COLOURS = ("tab:red", "tab:green", "tab:blue")


@plain_text()
def lens_figure(found: LensCalibration) -> Figure:
    """Draw measured points and the fitted lens.

    Left: contrast through focus of the part nearest the middle, in green, for four bands of
    frequency. Right: where each part of the picture is in focus, over its distance from the
    middle, the slope of the subject taken off.
    """
    figure = Figure(figsize=(11, 4.6), layout="constrained")
    left, right = figure.subplots(1, 2)
    _through_focus(left, found)
    _field(right, found)
    return figure


def _through_focus(axes: Axes, found: LensCalibration) -> None:
    seen, fit = found.seen, found.fit
    kept = np.flatnonzero(fit.used.any(axis=1))
    block = kept[np.argmin(np.hypot(*seen.centres_px[kept].T))]
    told = np.flatnonzero(seen.weights[block, GREEN] > 0)
    used = fit.used[block]
    table = fit.curves[GREEN]
    fine = np.linspace(seen.stops[used].min(), seen.stops[used].max(), 200)
    numbers = fit.numbers
    place = numbers.focus[block]
    blur = np.exp(numbers.log_blur) * (place - fine) / (1 + (place - fine) * seen.per_step)
    course = table.at(blur)
    at_frames = np.array([np.interp(seen.stops + numbers.offset, fine, row) for row in course])
    for band in np.unique(told[np.linspace(0, len(told) - 1, _BANDS).astype(int)]):
        curve = seen.curves[block, GREEN, band]
        strength = (curve * at_frames[band])[used].sum() / np.square(at_frames[band][used]).sum()
        (line,) = axes.plot(fine, course[band], lw=1.2, label=f"{seen.bands[band]:.2f}")
        axes.plot(
            (seen.stops + numbers.offset)[used],
            curve[used] / strength,
            "o",
            ms=4,
            color=line.get_color(),
        )
    axes.axhline(0, color="0.7", lw=0.8)
    axes.set_xlabel("place of the camera, steps")
    axes.set_ylabel("contrast over that in focus")
    axes.set_title("Through focus, middle of the picture (dots: measured, lines: fitted)")
    axes.legend(title="cycles per pixel", fontsize=8)


def _field(axes: Axes, found: LensCalibration) -> None:
    surface = found.surface
    radius = np.hypot(*surface.places_mm.T)
    curvature = found.measured["field_curvature_per_mm"]
    centre = surface.smooth_mm - surface.places_mm @ [one.value for one in surface.slope]
    level = float(np.mean(centre + curvature.value / 2 * np.square(radius)))
    slope = surface.places_mm @ np.array([one.value for one in surface.slope])
    axes.plot(radius, 1e3 * (surface.focus_mm - slope - level), "o", ms=4, color=_COLOURS[GREEN])
    fine = np.linspace(0, radius.max(), 100)
    axes.plot(fine, -1e3 * curvature.value / 2 * np.square(fine), color="0.3", lw=1.2)
    for channel in (0, 2):
        name = "red" if channel == 0 else "blue"
        shift = found.measured[f"axial_colour_{name}_mm"].value
        axes.axhline(-1e3 * shift, color=_COLOURS[channel], lw=1, ls=":", label=f"{name}, middle")
    axes.set_xlabel("distance from the middle, mm on the subject")
    axes.set_ylabel("plane of focus in which it is sharp, um")
    axes.set_title("Curvature of field (green) and colour")
    axes.legend(fontsize=8)
