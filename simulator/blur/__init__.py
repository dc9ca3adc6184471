"""How the light of a point spreads: defocus, aberrations, motion."""
