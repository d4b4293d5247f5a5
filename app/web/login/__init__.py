"""Log in, log out, change one's own password, and the first start of an empty house."""
