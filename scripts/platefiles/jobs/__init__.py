"""Jobs and runs: their logs, their locks, and jobs that outlive their run."""
