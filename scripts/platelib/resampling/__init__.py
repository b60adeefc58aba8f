"""From the pixels of a sub to those of the grid, with their variance.

Input: a calibrated sub and its transform.
Output: the sub and its variance on the grid.
Sources: Duchon (1979) for Lanczos weights; Turkowski (1990).
"""
