"""Verbs that delete files of a project: list them, ask, delete.

Input: projects whose results no run is making, and files that a run recorded.
Output: lines about the files, their sizes and the cost of making them again; fewer files.
"""
