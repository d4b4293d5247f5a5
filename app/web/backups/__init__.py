"""The owner's page about backups."""
