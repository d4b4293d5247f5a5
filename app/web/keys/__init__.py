"""Pages about keys that are cut, stamped and handed out."""
