"""Moving objects: detections linked into tracks, and sums along a grid of rates below single subs.

Input: detections of difference images, or their matched-filter maps, with times; grid pixels.
Output: tracks of constant rate with place, rate, flux, and the expected number of chance tracks.
Sources: Kubica et al. (2007) for linking; Shao et al. (2014), Heinze, Metchev & Trollo (2015) for
    sums along rates; Brady (1998) for sums as a tree (all from memory).
"""
