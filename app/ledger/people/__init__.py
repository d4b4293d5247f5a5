"""Who may log in, and as what."""
