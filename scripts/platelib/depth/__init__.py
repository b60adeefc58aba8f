"""How faint an image goes, and what more exposure would gain.

Input: noise of empty apertures, zero points and injected stars.
Output: limiting magnitudes, completeness and exposure plans.
Sources: Merline & Howell (1995) and Howell (2006) for the CCD equation.
"""
