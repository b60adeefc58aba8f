"""Cosmic rays on a single frame.

Input: a calibrated sub, its variance and its stars.
Output: a mask of the pixels that a cosmic ray hit.
Sources: van Dokkum (2001, PASP 113, 1420).
"""
