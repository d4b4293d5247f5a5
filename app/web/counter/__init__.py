"""The counter page: what a customer wants, priced and decided while they wait."""
