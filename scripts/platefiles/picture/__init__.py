"""Pictures as files, with their place on the sky and how they were made.

Input: a linear image and a recipe.
Output: PNG, TIFF and JPEG files with metadata.
Sources: AVM 1.2; XMP; PNG (Third Edition); TIFF 6.0.
"""
