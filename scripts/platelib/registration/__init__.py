"""Subs on one grid and one photometric scale: matched stars, transforms, frame selection.

Input: tables of stars of each sub.
Output: a transform, a photometric scale, a weight and a state for each sub.
Sources: Beroiz et al. (2020) for the match by asterisms.
"""
