"""Backups: one encrypted file with the database, the house's files and a key check; and the way back."""
