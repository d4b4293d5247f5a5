"""What people add to a job's story: notes and files."""
