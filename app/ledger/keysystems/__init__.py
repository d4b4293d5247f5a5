"""Key systems: keysets, their sealed bittings, and what is keyed by them."""
