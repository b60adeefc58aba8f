"""From a linear image to the pixels of a picture, and what is drawn over it.

Input: a linear image, its world coordinates and a list of sources.
Output: 8- and 16-bit pixels in sRGB, labels and graticules.
Sources: Lupton et al. (2004) for the asinh stretch; Richardson (1972) and Lucy (1974) for
    sharpening.
"""
