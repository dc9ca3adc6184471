"""Focus measures."""
