"""The owner's page of the house's books."""
