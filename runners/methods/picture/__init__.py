"""What stages work on: tones, strips, warps and pyramids of pictures."""
