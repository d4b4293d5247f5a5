"""A whole house as tables of text: taken out, and taken in again. Never a bitting, a plan or a password."""
