"""The migrations of the book's tables; `shoegoal.record.book` runs them."""
