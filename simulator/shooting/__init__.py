"""A pass through a scene, frame by frame, its sensor, and its truth."""
