"""One sub: calibrated pixels straight from the raw file, and what was measured on it.

Input: a raw frame and its masters.
Output: calibrated pixels with variance and mask; rows of measurements.
"""
