"""What to shoot: step, frames, f-number, power."""
