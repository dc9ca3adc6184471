"""A plan in words, plots and tables."""
