"""Hidden marks beside damaged products, so that a run makes them again.

The file itself stays until its successor has its place: half of it may be all that there is.
"""

import os
from contextlib import suppress
from pathlib import Path


def is_marked(path: str | Path) -> bool:
    """Return whether a product was found damaged and not remade since."""
    return os.path.exists(_mark(path))


def mark(path: str | Path) -> None:
    """Mark a product so that the next run remakes it."""
    with open(_mark(path), "wb"):
        pass


def clear_mark(path: str | Path) -> None:
    """Remove the mark of a product that was remade."""
    with suppress(FileNotFoundError):
        os.unlink(_mark(path))


def _mark(path: str | Path) -> str:
    folder, name = os.path.split(path)
    return os.path.join(folder, f".{name}.damaged")
