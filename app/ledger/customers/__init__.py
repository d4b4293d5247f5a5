"""Customers, their contacts and their sites."""
