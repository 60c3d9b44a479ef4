"""Trains the ball network: drawn scenes and photographs, windows cut from them, the courses."""
