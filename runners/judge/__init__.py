"""Results against the truth."""
