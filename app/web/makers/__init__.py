"""Makers: their tables and catalogues, read by all, changed by the owner."""
