"""Arguments of the command line: projects, results, stages.

Input: words as they were typed.
Output: projects and files, or the nearest name.
"""
