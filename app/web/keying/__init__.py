"""The pages by which people use the keying engine: specs, plans, audits, cross-keying, lists, matrices, pins."""
