"""Facts of one raw frame, read from the dialects of FITS headers."""
