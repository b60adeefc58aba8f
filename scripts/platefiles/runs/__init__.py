"""A run of the Snakefile: its plans, what it makes and what it leaves as it is.

Input: the projects that a run names.
Output: the object `plans` of the Snakefile.
"""
