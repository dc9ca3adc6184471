"""The files of the truth in a stack folder, and what must be known to use them."""

from __future__ import annotations

from math import isfinite
from typing import Any

from .. import optics
from ..shooting.shoot import BLUR_CRITERION_UM, USABLE_GAIN_STOPS, USABLE_SMEAR_PX, Shoot
from ..shooting.truth import NEVER_PX, Truth

#: Images of the truth: what each holds, and its unit.
TRUTH_IMAGES = {
    "ideal": ("everything in focus", "linear light, 1 = saturation"),
    "achievable": ("least defocus of any usable frame", "linear light, 1 = saturation"),
    "depth_mm": ("z along the optical axis of the reference; NaN: nothing is hit", "mm"),
    "best_frame": ("usable frame in which the point is sharpest; -1: nothing is hit", "frame"),
    "residual_blur_px": ("blur radius in that frame", "px"),
    "coverage": ("share of the pixel covered by the part whose depth it has", "1"),
    "edge_distance_px": ("distance to the nearest occluding edge", "px"),
    "regions": ("bits of the regions the pixel lies in", "bits"),
}
#: Those that only some scenes have: with gloss, or with surfaces that light comes through.
IMAGES_OF_SOME = {
    "highlight_depth_mm": (
        "z of the flash's image where a highlight shows it, as of depth_mm; NaN elsewhere",
        "mm",
    ),
    "depth_behind_mm": (
        "z of the opaque surface that is seen through translucent ones; NaN: there is none",
        "mm",
    ),
}


def truth_images(truth: Truth) -> dict[str, tuple[str, str]]:
    """Return what images a truth has, with what each holds, and its unit."""
    there = (name for name in IMAGES_OF_SOME if getattr(truth, name) is not None)
    return TRUTH_IMAGES | {name: IMAGES_OF_SOME[name] for name in there}


def truth_file(name: str) -> str:
    """Return the path of an image of the truth in its stack."""
    return f"truth/{name}.tif"


def truth_facts(plan: Shoot, truth: Truth) -> dict[str, Any]:
    """Return what must be known to use the images of the truth."""
    rig = plan.rig
    field = optics.depth_of_field_mm(rig, blur_um=BLUR_CRITERION_UM)
    return {
        "reference": truth.reference,
        "usable_frames": [record.frame for record in plan.records if record.usable],
        "regions": truth.region_bits,
        "images": {
            name: {"file": truth_file(name), "about": about, "unit": unit}
            for name, (about, unit) in truth_images(truth).items()
        },
        "optics": {
            "magnification": rig.lens.magnification,
            "working_f_number": optics.rig_f_number(rig),
            "pupil_to_focus_mm": optics.focus_distance_mm(rig),
            "blur_criterion_um": BLUR_CRITERION_UM,
            "depth_of_field_near_mm": field.near_mm,
            "depth_of_field_far_mm": field.far_mm if isfinite(field.far_mm) else None,
            "quarter_wave_depth_mm": optics.quarter_wave_depth_mm(rig),
        },
        "limits": {
            "usable_smear_px": USABLE_SMEAR_PX,
            "usable_gain_stops": USABLE_GAIN_STOPS,
            "never_in_focus_px": NEVER_PX,
        },
    }
