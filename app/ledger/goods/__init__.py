"""Goods on their way: orders to makers, receiving, hand-over, returns and claims."""
