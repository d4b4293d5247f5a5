"""The pages on which any table goes in: sent, its columns said, shown, saved, undone."""
