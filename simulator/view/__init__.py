"""What a pinhole at the entrance pupil sees of each part of a scene."""
