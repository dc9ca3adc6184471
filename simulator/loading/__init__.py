"""Scenes as they are asked for: a file's, or a draw of a family with its light metered."""
