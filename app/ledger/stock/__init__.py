"""What lies on the shelf: items, places, movements and their sums, counts, and what jobs need of it."""
