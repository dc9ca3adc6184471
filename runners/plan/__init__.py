"""The planner: step, frames, power and f-number for a subject, before going out."""

from .advise.advice import Plan, make_plan
from .draw.setting import Setting
from .draw.sharpness import Sharpness, Use, blur_limit, contrast_limit, sharpness_for

__all__ = [
    "Plan",
    "Setting",
    "Sharpness",
    "Use",
    "blur_limit",
    "contrast_limit",
    "make_plan",
    "sharpness_for",
]
