"""The subs of a channel on one grid, as a table.

Input: measurements of all nights and the lock file.
Output: transform, photometric scale, sky, weight and state of each sub.
"""
