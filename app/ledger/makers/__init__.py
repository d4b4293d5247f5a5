"""Makers: part-number tables, catalogue items, factory terms, bitting specs and keyways."""
