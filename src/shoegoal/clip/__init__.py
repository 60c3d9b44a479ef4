"""Reading a video file."""
