"""How words are looked for in the tables, and how near a row is to them."""
