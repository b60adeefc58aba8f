"""What rules ask about data: inputs and jobs as functions of Snakemake's wildcards."""
