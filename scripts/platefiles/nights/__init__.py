"""Nights that are integrated once, and merged to their channel.

Input: the used subs of a night, or products of nights and single subs.
Output: the product of a night; planes SCI, VAR, COUNT and CLIPPED, and a row for each night.
"""
