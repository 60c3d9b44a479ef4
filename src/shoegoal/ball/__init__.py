"""Finding and following the ball."""
