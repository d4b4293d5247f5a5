"""The database, the vault, the record of what happened, and what a use case works with."""
