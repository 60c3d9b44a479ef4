"""What happened to the ball, and what counts."""
