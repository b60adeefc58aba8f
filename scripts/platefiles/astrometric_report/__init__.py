"""Reports of positions in ADES, the IAU's Astrometry Data Exchange Standard, version 2022.

Input: observations with their errors, observer, station and telescope.
Output: documents in XML and PSV, valid for submission, or the reason for refusal. Nothing is sent.
Source: ADES description and submission schema, github.com/IAU-ADES/ADES-Master.
"""
