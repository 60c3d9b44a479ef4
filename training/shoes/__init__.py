"""Trains the network that sees the ends of shoes."""
