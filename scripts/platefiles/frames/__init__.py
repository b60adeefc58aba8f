"""Facts of one raw frame, read from the dialects of FITS headers.

Input: a header and the fixes of the project.
Output: type, filter, exposure, time, gain and temperature of the frame.
Sources: FITS standard 4.0, sections 4.4 and 9.
"""
