"""The page of a benchmark, its statistics, plots and pictures."""
