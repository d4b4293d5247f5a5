"""Customers, their sites, and the doors, locks and cylinders that are there."""
