"""Backups, upgrades, the sealing key, and opening the house."""
