"""The planner: step, frames, power and f-number for a subject, before going out."""

from .advise.advice import Plan, make_plan
from .draw.setting import Setting
from .draw.sharpness import Sharpness, blur_limit, contrast_limit, print_sharpness

__all__ = [
    "Plan",
    "Setting",
    "Sharpness",
    "blur_limit",
    "contrast_limit",
    "make_plan",
    "print_sharpness",
]
