"""The stack folder: written whole or not at all, checked when it is read."""
