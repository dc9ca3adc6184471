"""Stages that merge aligned frames, and depth from them."""
