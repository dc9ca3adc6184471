"""Scores of a picture against another of the same view."""
