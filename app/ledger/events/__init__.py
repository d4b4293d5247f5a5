"""The append-only record of who did what, and the counters that number things."""
