"""Pins on the bench's shelf: what is there, what a job takes."""
