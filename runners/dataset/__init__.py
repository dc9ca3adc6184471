"""Data sets: many stacks by one command, split by scene, indexed, described, and read back."""
