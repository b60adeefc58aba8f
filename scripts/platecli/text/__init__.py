"""Text on the console: tables, trees, summaries and lines that fit.

Input: what a verb found.
Output: lines of text.
"""
