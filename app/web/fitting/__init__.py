"""Fit: a quick question with no job. What is this number, does it fit, what else would."""
