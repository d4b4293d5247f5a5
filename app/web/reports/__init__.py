"""The owner's day, the books and the search."""
