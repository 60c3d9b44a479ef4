"""What a count finds, and the files that hold it."""
