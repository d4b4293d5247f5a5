"""Customers: who buys, where their doors are, and whom to ask."""
