"""Camera, ground and goal."""
