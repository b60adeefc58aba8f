"""FITS products: headers, checksums, images and tables, checked when they are read."""
