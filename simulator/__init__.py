"""Renders scenes of known depth into handheld macro stacks, with their truth."""
