"""Frames that show the subs of a channel one after the other.

Input: registered subs with their times and weights, whole or as a part of the grid.
Output: which subs a frame shows, their weighted mean, and its display values by one curve.
The curve is the asinh stretch of Lupton et al. (2004), PASP 116, 133 (`platelib.picture.stretch`).
"""
