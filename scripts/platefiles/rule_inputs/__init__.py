"""What rules declare: their inputs and jobs as functions of a plan and of wildcards.

Input: a plan and the wildcards of a job.
Output: paths of inputs, for Snakemake and for the graph of products.
"""
