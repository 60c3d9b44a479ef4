"""Stills, strips and overviews."""
