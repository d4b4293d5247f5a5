"""Logins and users: the pages at the door, one's own login, and the owner's pages about people."""
