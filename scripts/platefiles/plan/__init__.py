"""What a project has: its frames, the paths of its products and the job of each."""
