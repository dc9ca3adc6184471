"""The colour of surfaces, and the masks that say where a surface is."""
