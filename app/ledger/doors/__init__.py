"""Doors, the locks in them, and every cylinder on record."""
