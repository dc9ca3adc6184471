"""How methods stand to each other: intervals, paired differences, ranks, power."""
