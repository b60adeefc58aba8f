"""Products made again from their records, and single pixels of them.

Input: a record and its raw frames.
Output: the same product, byte for byte.
"""
