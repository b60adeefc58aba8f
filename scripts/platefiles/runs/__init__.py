"""A run of the Snakefile: the plans that it opens, what it makes of them and what it leaves."""
