"""Get raw frames as local files, from disk or object storage."""

import os
from collections.abc import Sequence
from importlib import import_module

POINTER_ENDING = ".object.json"
"""What the names of pointers to objects end in."""

COPIES = "fetched"
"""Folder of the copies of objects, below a project's results; it may be removed at any time."""


def local_copies(links: Sequence[str]) -> list[str]:
    """Return a local path for each link to a raw frame.

    Parameters
    ----------
    links : sequence of str
        Links in ``links/``: links to files are returned unchanged; frames of pointers to object
        storage are fetched.

    Raises
    ------
    UserError
        If a frame cannot be fetched or changed since the run began.
    """
    targets = [os.path.realpath(link) for link in links]
    if not any(target.endswith(POINTER_ENDING) for target in targets):
        return list(links)
    # Imported by name, so that code for transfers is no part of the code digest of steps.
    return import_module("platefiles.transfers.bucket_copies").fetched(links, targets)


def copy_name(pointer: str, fingerprint: str) -> str:
    """Return the file name of the copy for a pointer."""
    return f"{os.path.basename(pointer).removesuffix(POINTER_ENDING)}_{fingerprint}.fits"
