"""The bench's day: ticks, pins on the shelf, and what the work really took."""
