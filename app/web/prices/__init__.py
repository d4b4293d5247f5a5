"""The owner's price book: prices, and the terms that shop or factory is decided by."""
