"""Which calibration frames make which masters, and which masters serve which lights.

Input: the list of frames.
Output: groups of frames for each master, the masters of each light, and notes on what is
    missing.
Sources: common practice, no source.
"""
