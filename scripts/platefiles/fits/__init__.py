"""FITS products: headers, checksums, images and tables, checked when they are read.

Input: arrays, columns and cards.
Output: FITS files, and arrays and headers read from them.
Sources: FITS standard 4.0; Seaman & Pence for CHECKSUM.
"""
