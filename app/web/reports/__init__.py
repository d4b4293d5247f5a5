"""The owner's day, the books, the reports and the search."""
