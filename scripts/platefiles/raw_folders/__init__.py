"""Raw folders and buckets searched for new, known, duplicated and damaged frames.

Input: the raw folders of a project.
Output: the list of frames, `frames.tsv`.
"""
