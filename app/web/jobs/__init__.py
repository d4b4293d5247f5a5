"""The ledger page and a job's own page."""
