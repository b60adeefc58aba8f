"""Channels with equal star images.

Input: a channel and star images of a softer one.
Output: a convolution kernel and the convolved channel with its variance.
Sources: Alard & Lupton (1998).
"""
