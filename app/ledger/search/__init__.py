"""Finding a record from the few characters that somebody remembers."""
