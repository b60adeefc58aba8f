"""Hidden marks beside damaged products, so that a run makes them again.

The file itself stays until its successor has its place: half of it may be all that there is.
"""

import os
from contextlib import suppress
from pathlib import Path


def is_marked(path: str | Path) -> bool:
    """Return whether a product was found damaged and has not been made again since."""
    return os.path.exists(_mark(path))


def mark(path: str | Path) -> None:
    """Have the next run make a product again."""
    with open(_mark(path), "wb"):
        pass


def clear_mark(path: str | Path) -> None:
    """Forget that a product was damaged; it has just been made again."""
    with suppress(FileNotFoundError):
        os.unlink(_mark(path))


def _mark(path: str | Path) -> str:
    folder, name = os.path.split(path)
    return os.path.join(folder, f".{name}.damaged")
