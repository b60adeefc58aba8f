"""Differences of subs from a reference image, and what they show.

Input: a registered sub with its variance, the stack that it is compared with, stamps of stars.
Output: the difference, its matched-filter statistic, detections and trails.
Sources: Alard & Lupton (1998), Zackay, Ofek & Gal-Yam (2016).
"""
