"""How work is started, watched and stopped.

Input: the projects and the stage of a run.
Output: a run of Snakemake with its exit status.
"""
