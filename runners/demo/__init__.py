"""The demo, and pictures that lay frames, results and truth side by side."""
