"""Whether plans keep what they promise: settings drawn at random, planned and shot."""
