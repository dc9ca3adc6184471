"""Passes drawn with the laws of hands and flash, and what they cover."""
