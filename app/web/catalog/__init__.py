"""Makers, their tables and catalogs; prices, price rules and terms."""
