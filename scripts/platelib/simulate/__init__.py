"""Simulated nights: a scene, a sky, optics and a camera with its faults.

Input: a seed and the settings of a site, a camera and a scene.
Output: raw frames in ADU and the truth behind them.
Sources: Moffat (1969) for star images; Ciotti & Bertin (1999) for Sersic profiles.
"""
