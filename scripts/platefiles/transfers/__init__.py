"""Raw frames on their way to jobs: links with safe names, and copies out of object storage.

Input: the list of frames.
Output: local files that a step can open.
"""
