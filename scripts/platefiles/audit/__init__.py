"""Whether products and raw frames are what records say, and how to make a product again.

Input: products with records, and folders of raw frames.
Output: findings, differences, and tasks that make a product again.
"""
