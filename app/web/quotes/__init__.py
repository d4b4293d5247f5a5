"""A quote as handed over: its page, its papers, and accepting it."""
