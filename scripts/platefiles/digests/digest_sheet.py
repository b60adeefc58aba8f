"""The list of digests of a project, ``digests.sha256``, as ``sha256sum -c`` reads it.

A line a file: the SHA-256, two blanks, the path from the folder of the sheet on. A path with a
backslash or a line break is escaped, as GNU coreutils do it, and its line begins with a backslash.
"""

import hashlib
import os
import re
from collections.abc import Collection, Mapping
from contextlib import suppress
from pathlib import Path

from platefiles.core.atomic_write import write_if_changed
from platefiles.core.errors import UserError
from platefiles.core.hashing import file_sha256

NAME = "digests.sha256"
SEAL = ".digests"
"""Hidden file beside a sheet that holds the digest of the sheet itself, in a line of one.

Further lines are those of files that no job makes, so that the sheet is not their only witness.
"""

_OF_NO_JOB = ("frames.tsv",)

_LINE = re.compile(r"(\\?)([0-9a-f]{64})  (.+)")
_ESCAPES = {"\\": r"\\", "\n": r"\n", "\r": r"\r"}
_ESCAPED = re.compile(r"\\([\\nr])")
_LETTERS = {"\\": "\\", "n": "\n", "r": "\r"}


def sheet_text(digests: Mapping[str, str]) -> str:
    """Return the content of a sheet, sorted by path.

    Parameters
    ----------
    digests : mapping of str to str
        SHA-256 by path relative to the folder of the sheet, decoded by `os.fsdecode`.
    """
    return "".join(_line(path, digests[path]) for path in sorted(digests))


def _line(path: str, sha256: str) -> str:
    escaped = "".join(_ESCAPES.get(letter, letter) for letter in path)
    return f"{'' if escaped == path else chr(92)}{sha256}  {escaped}\n"


def write_digest_sheet(folder: str | Path, digests: Mapping[str, str]) -> bool:
    """Write the sheet of a folder if it changed; return whether it did."""
    content = sheet_text(digests).encode("utf-8", "surrogateescape")
    written = write_if_changed(Path(folder) / NAME, content)
    seal = {NAME: hashlib.sha256(content).hexdigest()}
    seal |= {name: digests[name] for name in _OF_NO_JOB if name in digests}
    write_if_changed(Path(folder) / SEAL, sheet_text(seal))
    return written


def forget(folder: str | Path, paths: Collection[str]) -> None:
    """Remove deleted files from the sheet of a folder.

    A damaged sheet is left unchanged; the next run rewrites it.

    Parameters
    ----------
    folder : path-like
    paths : collection of str
        Relative to the folder.
    """
    sheet = Path(folder) / NAME
    if not sheet.is_file() or is_sealed(sheet) is False:
        return
    with suppress(UserError):
        listed = read_digest_sheet(sheet)
        kept = {path: sha256 for path, sha256 in listed.items() if path not in paths}
        write_digest_sheet(folder, kept)


def is_sealed(path: str | Path) -> bool | None:
    """Return whether a list of digests is unchanged; None without its hidden digest."""
    seal = Path(path).with_name(SEAL)
    if not seal.is_file():
        return None
    return read_lines(seal)[0].get(NAME) == file_sha256(path)


def read_seal(folder: str | Path) -> dict[str, str]:
    """Return the digests of files without a job at the time of writing the sheet."""
    seal = Path(folder) / SEAL
    digests = read_lines(seal)[0] if seal.is_file() else {}
    return {name: digests[name] for name in _OF_NO_JOB if name in digests}


def read_digest_sheet(path: str | Path) -> dict[str, str]:
    """Read a sheet: SHA-256 by path relative to its folder.

    Raises
    ------
    UserError
        If a line is invalid.
    """
    digests, odd = read_lines(path)
    if odd:
        msg = f"{path}:{odd[0]}: is no line of digests; the next run writes the list again"
        raise UserError(msg)
    return digests


def read_lines(path: str | Path) -> tuple[dict[str, str], list[int]]:
    """Read the readable lines of a list of digests.

    Returns
    -------
    digests : dict of str to str
        As from `read_digest_sheet`.
    odd : list of int
        Numbers of the invalid lines.
    """
    digests, odd = {}, []
    content = Path(path).read_bytes().decode("utf-8", "surrogateescape")
    for number, line in enumerate(content.removesuffix("\n").split("\n") if content else (), 1):
        found = _LINE.fullmatch(line)
        if found is None or os.path.isabs(found[3]) or "\0" in line:
            odd.append(number)
        else:
            name = _ESCAPED.sub(lambda m: _LETTERS[m[1]], found[3]) if found[1] else found[3]
            digests[name] = found[2]
    return digests, odd
