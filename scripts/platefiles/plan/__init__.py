"""What a project has: its frames, the paths of its products and the job of each.

Input: a loaded project, its list of frames and its lock file.
Output: paths, and jobs as canonical JSON.
"""
