"""Scores of images, depth maps and focus: arrays in, numbers out."""

from .depth import depth_from_frames, score_depth
from .depth_ratio import ratio_origin_mm
from .image.image import ciede2000_mean, gradient_error, psnr_db, score_image, ssim
from .image.regions import textured_and_smooth, within
from .record import Metric
from .registration.colours import colour_kept, colourfulness, exchanged_channels
from .registration.gain import Exposure, apply_gain, exposure_of, fit_gain
from .registration.registration import Registered, bring_to_reference
from .registration.similarity import Similarity, fit_similarity, resample
from .registry import METRICS, metric
from .table import long_rows, wide_row

__all__ = [
    "METRICS",
    "Exposure",
    "Metric",
    "Registered",
    "Similarity",
    "apply_gain",
    "bring_to_reference",
    "ciede2000_mean",
    "colour_kept",
    "colourfulness",
    "depth_from_frames",
    "exchanged_channels",
    "exposure_of",
    "fit_gain",
    "fit_similarity",
    "gradient_error",
    "long_rows",
    "metric",
    "psnr_db",
    "ratio_origin_mm",
    "resample",
    "score_depth",
    "score_image",
    "ssim",
    "textured_and_smooth",
    "wide_row",
    "within",
]
