"""One sub: calibrated pixels straight from the raw file, and what was measured on it."""
