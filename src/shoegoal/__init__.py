"""shoegoal: a phone clip of a soccer shooting set in, a tally a teacher can verify out."""

__version__ = "0.1.0"
