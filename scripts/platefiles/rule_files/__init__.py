"""The rules as they stand in the Snakefile.

Input: the Snakefile and `rules/*.smk`.
Output: what each rule makes, from which files, by which script and with how many threads.
"""
