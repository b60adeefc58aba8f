"""Files that are written whole or not at all."""

import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO


def write_whole(path: str | Path, write: Callable[[BinaryIO], object]) -> None:
    """Call ``write(open binary file)`` for a temporary name, flush it and rename it to ``path``.

    Parameters
    ----------
    path : path-like
        Where the file goes; its folder is made if needed. A file that is there is replaced at
        once, and stays as it is if anything goes wrong before.
    write : callable
        Gets a file opened for writing bytes.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as target:
            write(target)
        put_in_place(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def put_in_place(temporary: str | Path, path: str | Path) -> None:
    """Flush a finished file to the disk and give it its name and the usual permissions."""
    with open(temporary, "rb") as target:
        os.fsync(target.fileno())
    os.chmod(temporary, 0o666 & ~_umask())
    os.replace(temporary, path)


def write_if_changed(path: str | Path, text: str) -> bool:
    """Write a UTF-8 text file, unless it holds that text already.

    Returns
    -------
    bool
        Whether it was written.
    """
    content = text.encode("utf-8")
    try:
        if Path(path).read_bytes() == content:
            return False
    except FileNotFoundError:
        pass
    write_whole(path, lambda target: target.write(content))
    return True


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
