"""The height of surfaces above their plane."""
