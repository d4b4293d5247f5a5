"""Makers and what they sell, bitting specs, prices, tax, and what the house has settled about its quotes."""
