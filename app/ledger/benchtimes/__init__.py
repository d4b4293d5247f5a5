"""What the bench's work really took, and the owner's taking of it into the book."""
