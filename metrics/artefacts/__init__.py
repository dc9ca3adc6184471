"""What a merge adds that no frame holds: halos, ghosts, see-through, invented detail."""
