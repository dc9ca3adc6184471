"""Scores of images, depth maps and focus: arrays in, numbers out."""
