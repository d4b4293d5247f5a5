"""The house's own rules for its quotes: deposits, the text of its e-mail, which questions are asked."""
