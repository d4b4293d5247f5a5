"""Pages about sites and their doors."""
