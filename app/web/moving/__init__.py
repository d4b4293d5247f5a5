"""The owner's page for taking the whole house out and in."""
