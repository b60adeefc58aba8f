"""The verbs of the command line, one module each.

Input: parsed arguments.
Output: an exit status, and text on the console.
"""
