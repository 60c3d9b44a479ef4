"""Trains the network that sees standing things."""
