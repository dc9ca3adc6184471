"""What a suite asks for: its file, conditions and cells."""
