"""The list of digests of a project: written, compared, signed.

Input: products and notes of jobs.
Output: `digests.sha256`, its signature, and what differs from it.
Sources: the format of GNU sha256sum; SSH signatures.
"""
