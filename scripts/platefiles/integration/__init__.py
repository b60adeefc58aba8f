"""The subs of a channel integrated tile by tile, and what became of each sub.

Input: raw frames, masters and the registration of a channel.
Output: planes SCI, VAR, COUNT and CLIPPED, and a row for each sub.
"""
