"""From channels to colours: mapping, grey sky, white balance, luminance.

Input: channels on one grid and a mapping of channels to colours.
Output: a linear colour image ``(3, ny, nx)``, and its balance.
Sources: IEC 61966-2-1 for sRGB; Ottosson (2020) for Oklab.
"""
