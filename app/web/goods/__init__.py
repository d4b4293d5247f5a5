"""Goods on their way out and back: hand-over, returns, claims."""
