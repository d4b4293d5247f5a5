"""Keys as pieces of metal: who holds which, counts of them, what is lost, and what a loss asks for."""
