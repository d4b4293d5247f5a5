"""What the house's general ledger takes over: issued quotes, closed jobs, payments."""
