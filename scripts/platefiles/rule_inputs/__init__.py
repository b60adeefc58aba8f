"""What rules declare: their inputs and jobs as functions of a plan and of wildcards."""
