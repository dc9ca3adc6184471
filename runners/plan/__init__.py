"""The planner: step, frames, power and f-number for a subject, before going out."""

from runners.plan.advice import Plan, make_plan
from runners.plan.setting import Setting
from runners.plan.sharpness import Sharpness, blur_limit, contrast_limit, print_sharpness

__all__ = [
    "Plan",
    "Setting",
    "Sharpness",
    "blur_limit",
    "contrast_limit",
    "make_plan",
    "print_sharpness",
]
