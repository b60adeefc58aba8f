"""Snakemake's flags of inputs, imported only when needed."""


def ancient(path: str) -> str:
    """Mark an input whose age does not matter."""
    from snakemake.io import ancient as flagged

    return flagged(path)


def local(path: str) -> str:
    """Mark an input that is local even if all other files are in a storage."""
    from snakemake.io import local as flagged

    return flagged(path)
