"""Pages about money: invoices, credit notes, a customer's account."""
