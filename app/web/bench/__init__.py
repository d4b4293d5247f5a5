"""The bench's pages: today's work, and pins and cuts of a job."""
