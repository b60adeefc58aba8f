"""The rules as they stand in the Snakefile: what each makes, of which files, by which script."""
