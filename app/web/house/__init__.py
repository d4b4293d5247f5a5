"""The owner's pages about the house itself."""
