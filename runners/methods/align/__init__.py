"""Stages that choose frames, even out their brightness and bring them to one view."""
