"""The owner's settings of the house and of its quotes."""
