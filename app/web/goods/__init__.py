"""Goods on their way in, out and back: orders to makers, hand-over, returns, claims."""
