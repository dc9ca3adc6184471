"""What all packages may use: it knows nothing of any of them."""
