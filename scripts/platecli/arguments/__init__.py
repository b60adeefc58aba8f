"""What words on the command line name: projects, results, targets."""
