"""Bad pixels: detected on darks and flats, and interpolated from their neighbours.

Input: master darks and flats, ``(ny, nx)``.
Output: masks of hot, unstable and dead pixels; images in which they are interpolated.
Sources: common practice; each module says what it does.
"""
