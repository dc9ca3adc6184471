"""Scores of images, depth maps and focus: arrays in, numbers out."""

from metrics.depth import depth_from_frames, score_depth
from metrics.image import ciede2000_mean, gradient_error, psnr_db, score_image, ssim
from metrics.record import Metric
from metrics.regions import textured_and_smooth, within
from metrics.registration import Registered, apply_gain, bring_to_reference, fit_gain
from metrics.registry import METRICS, metric
from metrics.similarity import Similarity, fit_similarity, resample
from metrics.table import long_rows, wide_row

__all__ = [
    "METRICS",
    "Metric",
    "Registered",
    "Similarity",
    "apply_gain",
    "bring_to_reference",
    "ciede2000_mean",
    "depth_from_frames",
    "fit_gain",
    "fit_similarity",
    "gradient_error",
    "long_rows",
    "metric",
    "psnr_db",
    "resample",
    "score_depth",
    "score_image",
    "ssim",
    "textured_and_smooth",
    "wide_row",
    "within",
]
