"""Products as a graph, read from the rules, and which of them have to be made.

Input: a plan and the products that exist.
Output: what a run makes, and why.
"""
