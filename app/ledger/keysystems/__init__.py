"""Key systems: keysets, their sealed bittings, and the keys cut to them."""
