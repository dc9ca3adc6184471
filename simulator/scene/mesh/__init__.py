"""Meshes of one's own: how files hold them, and what a scene says of them."""
