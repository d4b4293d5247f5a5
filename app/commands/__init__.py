"""One click group a file; each parses, calls one function of a room, and prints."""
