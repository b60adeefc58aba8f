"""Raw frames: opened read-only, compared with their fingerprint, read by bands of rows.

Input: the path of a raw frame and the facts that a job has of it.
Output: its pixels in ADU, or the reason why it cannot be used.
Sources: FITS standard 4.0, section 10 for packed images.
"""
