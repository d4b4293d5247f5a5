"""Keys as pieces of metal: who holds which, what is lost, and what a loss asks for."""
