"""The subs of a channel as frames, straight from raw, and as an animation.

Input: raw frames with their masters and registration; a part of the grid; a length in time.
Output: frames with times and places, as a product, as animated WebP and PNG, and one by one.
Sources: WebP container (RFC 9649); animated PNG (W3C PNG, third edition, sections 4.9 and 11.3.6).
"""
