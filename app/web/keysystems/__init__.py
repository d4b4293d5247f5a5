"""Pages about key systems."""
