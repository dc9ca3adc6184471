"""Random fields of many octaves, and patterns of cells, that reliefs and textures are made of."""
