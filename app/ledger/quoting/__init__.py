"""From what the counter asks to a quote revision and its acceptance."""
