"""The light of the sky: a mesh of medians, and smooth surfaces through it.

Input: a sub or a channel, and a mask of its sources.
Output: level and noise of the sky at each pixel.
Sources: Bertin & Arnouts (1996, A&AS 117, 393); Wahba (1983) for the choice of smoothness.
"""
