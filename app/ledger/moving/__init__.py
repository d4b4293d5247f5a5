"""A whole house as tables of text: exported and imported. Never a bitting, a plan or a password."""
