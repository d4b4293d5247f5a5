"""The bench's work: its day, its sheets, ticks, pins on the shelf, and what it really took."""
