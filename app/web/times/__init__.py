"""The bench's times: recorded job by job, learned from by the owner."""
