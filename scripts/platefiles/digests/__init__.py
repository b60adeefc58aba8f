"""The sheet of digests of a project: written, compared, signed."""
