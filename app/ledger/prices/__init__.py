"""The house's prices: price book, bench terms, sales tax, and the house's own settings."""
