"""What the owner and the counter ask of the whole house: the day, the books, reports, a search."""
