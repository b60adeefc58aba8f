"""What all packages need: errors, safe names, digests, and files written whole or not at all.

Input: paths and bytes.
Output: digests, and files that are never half written.
Sources: FIPS 180-4 for SHA-256.
"""
