"""Examples to copy: an outside program, and a method of ten lines."""
