"""Customers made one, or parted, with all that hangs on them; each with before, after and a way back."""
