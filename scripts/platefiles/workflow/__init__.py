"""What a project has, what its jobs are, and which of them have to be done."""
