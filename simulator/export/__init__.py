"""Geometry and colours of a scene for other renderers."""
