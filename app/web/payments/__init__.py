"""Pages about the money of a job."""
