"""Write files whole or not at all.

What is not finished yet has a hidden name beside its place, ``.NAME.xxxxxxxx.part``, and is locked
by who writes it. The kernel takes the lock back when the writer dies, so that a later run can tell
what a killed one has left behind.
"""

import errno
import fcntl
import os
import re
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

_UNFINISHED = re.compile(r"\..+\.[a-z0-9_]{8}\.part")
_CHUNK = 1 << 20


@contextmanager
def unfinished(path: str | Path) -> Iterator[BinaryIO]:
    """Open a temporary file for ``path``; it is removed at the end unless put in place.

    Parameters
    ----------
    path : path-like
        Final path of the file; its folder is made if needed.

    Yields
    ------
    binary file
        For reading and writing; its ``name`` is the temporary path. `put_in_place` renames it.
    """
    path = Path(path)
    with naming(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    os.close(handle)
    try:
        with open(name, "r+b") as target:
            with suppress(OSError):  # some network disks know no locks
                fcntl.flock(target, fcntl.LOCK_EX | fcntl.LOCK_NB)
            yield target
    finally:
        Path(name).unlink(missing_ok=True)


@contextmanager
def naming(path: str | Path) -> Iterator[None]:
    """Make errors of the system name the final file.

    A full disk names no file, and a temporary name would not help the user.
    """
    try:
        yield
    except OSError as error:
        given = error.filename
        unnamed = given is None or _UNFINISHED.fullmatch(os.path.basename(os.fsdecode(given)))
        if error.errno is not None and unnamed:
            error.filename = os.fspath(path)
        raise


def put_in_place(target: BinaryIO, path: str | Path, lasting: bool = True) -> None:
    """Flush a temporary file to the disk, rename it and set the usual permissions.

    Parameters
    ----------
    target : binary file
    path : path-like
    lasting : bool
        Whether to wait for the disk.
    """
    target.flush()
    if lasting:
        os.fsync(target.fileno())
    os.fchmod(target.fileno(), 0o666 & ~_umask())
    os.replace(target.name, path)


def write_whole(
    path: str | Path, write: Callable[[BinaryIO], object], lasting: bool = True
) -> None:
    """Write a file by calling ``write(open binary file)``.

    Parameters
    ----------
    path : path-like
        Path of the file; its folder is made if needed. An existing file is replaced atomically, and
        remains unchanged after an error.
    write : callable
        Gets a file opened for writing bytes.
    lasting : bool
        Whether to wait for the disk; False for a file of the present run, which a failure of power
        ends.
    """
    with naming(path), unfinished(path) as target:
        write(target)
        put_in_place(target, path, lasting)


def write_if_changed(path: str | Path, text: str | bytes) -> bool:
    """Write a file, text as UTF-8, unless it holds that content already.

    Returns
    -------
    bool
        Whether it was written.
    """
    content = text.encode("utf-8") if isinstance(text, str) else text
    try:
        if Path(path).read_bytes() == content:
            return False
    except FileNotFoundError:
        pass
    write_whole(path, lambda target: target.write(content))
    return True


def allocate(target: BinaryIO, start: int, size: int) -> None:
    """Reserve disk space for a part of a file, filled with zeros.

    So a full disk is found before the work, not halfway through it.

    Raises
    ------
    OSError
        If the disk is full.
    """
    try:
        os.posix_fallocate(target.fileno(), start, size)
    except AttributeError:  # macOS
        _fill(target, start, size)
    except OSError as error:
        if error.errno not in (errno.EOPNOTSUPP, errno.EINVAL, errno.ENOSYS):
            raise
        _fill(target, start, size)


def _fill(target: BinaryIO, start: int, size: int) -> None:
    target.seek(start)
    for place in range(0, size, _CHUNK):
        target.write(bytes(min(_CHUNK, size - place)))
    target.flush()


def remove_abandoned(folder: str | Path, name: str = "") -> int:
    """Remove the temporary files of dead writers from a folder.

    Parameters
    ----------
    folder : path-like
        Searched recursively; with ``name``, without its subfolders.
    name : str
        Final name of the files to remove; all by default.

    Returns
    -------
    int
        Number of removed files. Files of live writers stay.
    """
    removed = 0
    for place, folders, files in os.walk(folder):
        if name:
            folders.clear()
        for file in files:
            if _UNFINISHED.fullmatch(file) and file.startswith(f".{name}"):
                removed += _remove_if_abandoned(os.path.join(place, file))
    return removed


def _remove_if_abandoned(path: str) -> bool:
    try:
        with open(path, "rb") as file:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            os.unlink(path)
    except OSError:
        return False
    return True


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
