"""Many clips: a class counted in one go, and what came of it."""
