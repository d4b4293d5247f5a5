"""Bitting specs on record: what makers' charts say, entered, loaded and kept."""
