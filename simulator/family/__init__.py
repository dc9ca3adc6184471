"""Families of scenes: distributions over what a scene file may say, drawn by a seed."""
