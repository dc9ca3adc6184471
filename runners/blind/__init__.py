"""Blind sets: frames alone, of scenes and seeds that only their maker knows, scored elsewhere."""
