"""What is photographed: scene files, and the patterns, reliefs and textures they are made of."""
