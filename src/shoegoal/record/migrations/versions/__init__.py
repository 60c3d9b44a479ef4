"""One room per step, in order of their numbers."""
