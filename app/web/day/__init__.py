"""The owner's day, and the quotes that somebody should ring about."""
