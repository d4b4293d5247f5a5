"""Personal data: all that is kept of a person in one file; its deletion, done again after a restore."""
