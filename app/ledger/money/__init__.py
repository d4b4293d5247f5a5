"""What is owed: payments, invoices, credit notes, credit and statements."""
