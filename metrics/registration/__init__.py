"""How one picture lies over another."""
