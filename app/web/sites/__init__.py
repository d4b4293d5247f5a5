"""Customers, their sites, doors and cylinders."""
