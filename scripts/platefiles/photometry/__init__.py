"""Magnitudes of channels: passbands, zero points, depth.

Input: integrated channels, the solution and a catalogue.
Output: tables of zero points, extinction and limiting magnitudes.
"""
