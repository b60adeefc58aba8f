"""From the counts of raw frames to electrons: combination, correction, gain, saturation.

Input: raw frames in ADU, by bands of rows.
Output: masters, gain and read noise, and calibrated subs in electrons with their variance.
Sources: Janesick (2001) and Howell (2006) for photon transfer.
"""
