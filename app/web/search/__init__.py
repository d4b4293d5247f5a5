"""The search page."""
