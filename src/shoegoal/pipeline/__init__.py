"""One clip from beginning to end: watched, judged, and written down; its form beside it."""
