"""Many clips: counting a whole class, and its results."""
